"""Finished files that public tools made of openly licensed ROM files: srec_cat, objcopy, dd, cat, head, numpy.

The ROM files are those of Debian packages (see tests/unit/roms/test_real_files.py for versions and licences). They are
real programs: full of tables, text and long runs, with files that have most of their bytes in common.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from pipeline.solve.manifest_text import rom_values
from pipeline.solve.solve import Solution, solve
from tests.unit.roms.test_real_files import CBIOS, OPEN_ROMS, SEABIOS, objcopy, real
from tests.unit.roms.test_strangers import run

IPXE, VGABIOS = Path("/usr/lib/ipxe/qemu"), Path("/usr/share/vgabios")
K = 1024


def values(finished: bytes, chips: dict[str, bytes]) -> dict[str, Any]:
    """What is found, where it explains every byte."""
    solution = solve(finished, chips)
    assert solution.unexplained == ()
    return rom_values(solution.rom)


def home_computer() -> dict[str, bytes]:
    return {name: real(OPEN_ROMS / name) for name in ("basic", "kernal", "chargen")}


def test_a_memory_map_by_srec_cat(tmp_path: Path) -> None:
    chips = home_computer()
    finished = run(
        tmp_path, chips, "srec_cat", "(", "basic", "-binary", "-offset", "0xA000",
        "chargen", "-binary", "-offset", "0xD000", "kernal", "-binary", "-offset", "0xE000", ")",
        "-fill", "0xFF", "0", "0x10000", "-o", "o", "-binary",
    )  # fmt: skip
    assert values(finished, chips) == {
        "fill": 0xFF,
        "steps": [
            {"at": 0xA000, "chip": "basic"},
            {"at": 0xD000, "chip": "chargen"},
            {"at": 0xE000, "chip": "kernal"},
        ],
    }


def test_two_lanes_by_srec_cat(tmp_path: Path) -> None:
    chips = {name: real(OPEN_ROMS / name) for name in ("kernal", "basic")}
    finished = run(
        tmp_path, chips, "srec_cat", "kernal", "-binary", "-unsplit", "2", "0",
        "basic", "-binary", "-unsplit", "2", "1", "-o", "o", "-binary",
    )  # fmt: skip
    assert values(finished, chips) == {"steps": [{"at": 0, "interleave": ["kernal", "basic"]}]}


def test_chips_that_objcopy_split_a_program_into(tmp_path: Path) -> None:
    """The program is the finished file; the chips are its lanes."""
    program = real(SEABIOS / "bios-256k.bin")
    for lanes, unit in ((4, 1), (2, 2)):
        chips = {}
        for lane in range(lanes):
            (tmp_path / "o").unlink(missing_ok=True)
            chips[f"l{lane}"] = run(tmp_path, {"a": program}, *objcopy(lanes, lane, unit))
        wanted = {"at": 0, "interleave": list(chips), **({"unit": unit} if unit > 1 else {})}
        assert values(program, chips) == {"steps": [wanted]}, (lanes, unit)


def test_bytes_swapped_by_dd(tmp_path: Path) -> None:
    chips = {"main": real(CBIOS / "cbios_main_msx1.rom")}
    finished = run(tmp_path, {"a": chips["main"]}, "dd", "if=a", "of=o", "conv=swab", "status=none")
    assert values(finished, chips)["steps"] == [{"at": 0, "chip": "main", "then": [{"swap-bytes": 16}]}]


def test_words_turned_by_objcopy(tmp_path: Path) -> None:
    chips = {"main": real(CBIOS / "cbios_main_msx1.rom")}
    command = ("objcopy", "-I", "binary", "-O", "binary", "--reverse-bytes=4", "a", "o")
    finished = run(tmp_path, {"a": chips["main"]}, *command)
    assert values(finished, chips)["steps"] == [{"at": 0, "chip": "main", "then": [{"swap-bytes": 32}]}]


def test_look_alikes_of_one_family_are_told_apart() -> None:
    """Three main ROMs of 32 KiB that differ in a few hundred bytes, and a fourth file beside them."""
    names = ("cbios_main_msx1_jp.rom", "cbios_main_msx1.rom", "cbios_main_msx1_br.rom", "cbios_sub.rom")
    chips = {Path(name).stem: real(CBIOS / name) for name in names}
    finished = b"".join(chips[name] for name in ("cbios_main_msx1", "cbios_sub", "cbios_main_msx1_br"))
    assert values(finished, chips) == {
        "steps": [
            {"at": 0, "chip": "cbios_main_msx1"},
            {"at": 32 * K, "chip": "cbios_sub"},
            {"at": 48 * K, "chip": "cbios_main_msx1_br"},
        ]
    }


def test_a_mirror_and_an_inverted_copy_by_numpy() -> None:
    chips = {"chargen": real(OPEN_ROMS / "chargen"), "kernal": real(OPEN_ROMS / "kernal")}
    inverted = np.invert(np.frombuffer(chips["kernal"], np.uint8)).tobytes()
    found = values(np.tile(np.frombuffer(chips["chargen"], np.uint8), 2).tobytes() + inverted, chips)
    assert found["steps"] == [
        {"at": 0, "chip": "chargen", "then": [{"mirror": "8 KiB"}]},
        {"at": 8 * K, "chip": "kernal", "then": [{"invert": True}]},
    ]


def test_bits_reversed_and_a_crc_by_srec_cat(tmp_path: Path) -> None:
    chips = {"main": real(CBIOS / "cbios_main_msx1.rom")}
    finished = run(
        tmp_path, chips, "srec_cat", "main", "-binary", "-bit-reverse", "-crc32-b-e", "0x8000", "-o", "o", "-binary"
    )
    found = values(finished, chips)
    assert found["then"] == [{"crc-32": {"at": 0x8000, "byte-order": "big-endian"}}]
    assert found["steps"] == [{"at": 0, "chip": "main", "then": [{"reverse-bits": 8}]}]


def test_option_roms_one_after_another(tmp_path: Path) -> None:
    """Eight network boot ROMs of about 75 KiB that share most of their code, joined by cat in another order."""
    paths = sorted(IPXE.glob("pxe-*.rom")) or [IPXE / "pxe-e1000.rom"]
    chips = {path.stem: real(path) for path in paths}
    order = list(chips)[::-1]
    finished = run(tmp_path, {**chips}, "sh", "-c", f"cat {' '.join(order)} > o")
    steps = values(finished, chips)["steps"]
    assert [step["chip"] for step in steps] == order
    assert [step["at"] for step in steps] == [sum(len(chips[name]) for name in order[:n]) for n in range(len(order))]


def test_one_release_explained_by_another() -> None:
    """Two builds of a video BIOS: not the same file, and what differs is listed rather than made up."""
    chips = {"std": real(VGABIOS / "vgabios-stdvga.bin")}
    solution = solve(real(VGABIOS / "vgabios-qxl.bin"), chips)
    assert isinstance(solution, Solution)
    assert 0 < solution.explained <= solution.rom.size
