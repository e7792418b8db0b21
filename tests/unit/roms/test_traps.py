"""Where public tools disagree, or give a file that was never meant: the tools' ways shown, and that we refuse."""

from __future__ import annotations

import subprocess
from pathlib import Path

from tests.strangers.tools import require
from tests.unit.roms.test_strangers import run, srec
from tests.unit.roms.workshop import made, noise, problems

ODD = noise(1001)


def test_a_last_unit_cut_short_is_refused_since_three_tools_do_three_things(tmp_path: Path) -> None:
    files = {"a": ODD}
    grown = run(tmp_path, files, *srec("a -B -byte-swap 2"))
    (tmp_path / "o").unlink()
    kept = run(tmp_path, files, "dd", "if=a", "of=o", "conv=swab", "status=none")
    (tmp_path / "o").unlink()
    refused = subprocess.run(
        [require("objcopy"), "-I", "binary", "-O", "binary", "--reverse-bytes=2", "a", "o"], cwd=tmp_path, check=False,
        capture_output=True,
    )  # fmt: skip
    assert (len(grown), len(kept), bool(refused.returncode)) == (1002, 1001, True)
    assert problems(1001, {"at": 0, "chip": "a", "then": [{"swap-bytes": 16}]}, chips={"a": 1001}) == [
        "rom.1.steps.1.then.1.swap-bytes: has 1,001 bytes; expected a whole number of 2-byte units"
    ]


def test_unequal_lanes_are_refused_though_a_tool_fills_them_up(tmp_path: Path) -> None:
    filled = run(tmp_path, {"l0": noise(64), "l1": noise(10)}, *srec("l0 -B -unsplit 2 0 l1 -B -unsplit 2 1"))
    assert (len(filled), filled[21:24:2]) == (127, bytes(2))
    assert problems(127, {"at": 0, "interleave": ["a", "b"]}, chips={"a": 64, "b": 10}, fill=0) == [
        "rom.1.steps.1.interleave: parts have 64, 10 bytes; expected equal sizes"
    ]


def test_holes_are_refused_without_a_fill_though_tools_fill_them_with_zeros(tmp_path: Path) -> None:
    holed = run(tmp_path, {"l0": noise(4), "l1": noise(4)}, *srec("l0 -B l1 -B -offset 8"))
    assert holed[4:8] == bytes(4)
    steps = [{"at": 0, "chip": "a"}, {"at": 8, "chip": "b"}]
    assert problems(12, *steps, chips={"a": 4, "b": 4}) == [
        "rom.1: nothing is placed at 0x0004 to 0x0007 (4 bytes); expected every byte, since there is no fill\n"
        "  hint: place them, or give the byte of the holes: fill = 0xFF"
    ]


def test_a_filter_without_brackets_binds_to_the_last_file(tmp_path: Path) -> None:
    """Without brackets the fill of one file meets the other file: srec_cat(1) sees "multiple values" and stops."""
    (tmp_path / "a").write_bytes(noise(4))
    (tmp_path / "b").write_bytes(noise(4))
    command = [require("srec_cat"), *srec("a -B b -B -offset 8 -fill 0xFF 0 16")[1:]]
    assert subprocess.run(command, cwd=tmp_path, check=False, capture_output=True).returncode
    ours = made(
        {"join": ["a", {"fill": 255, "size": 4}, "b", {"fill": 255, "size": 4}]}, {"a": noise(4), "b": noise(4)}, 16
    )
    files = {"a": noise(4), "b": noise(4)}
    assert ours == run(tmp_path, files, *srec("( a -B b -B -offset 8 ) -fill 0xFF 0 16"))


def test_an_overlap_is_refused_even_of_equal_bytes_and_by_the_tool_too(tmp_path: Path) -> None:
    files = {"a": bytes(4), "b": b"\xff" * 4}
    for name, data in files.items():
        (tmp_path / name).write_bytes(data)
    command = [require("srec_cat"), *srec("a -B b -B -offset 2")[1:]]
    assert subprocess.run(command, cwd=tmp_path, check=False, capture_output=True).returncode
    told = problems(6, {"at": 0, "chip": "a"}, {"at": 2, "chip": "a"}, chips={"a": 4})
    assert [text.splitlines()[0] for text in told] == [
        "rom.1.steps.2.at: 0x0002 to 0x0005 overlaps 0x0000 to 0x0003 of an earlier step"
    ]


def test_crc_names_mean_different_things_so_there_are_only_parameters(tmp_path: Path) -> None:
    """Three names of one tool, one polynomial, three values of "123456789"; a name is no argument of ours."""
    text = b"123456789"
    values = [
        run(tmp_path, {"a": text}, *srec(f"a -B -crc16-b-e 9 {name}"))[9:].hex().upper()
        for name in ("-ccitt", "-broken", "-xmodem")
    ]
    assert values == ["E5CC", "29B1", "31C3"]
    told = problems(11, {"at": 0, "chip": "a", "then": [{"crc-16": {"at": 9, "name": "ccitt"}}]}, chips={"a": 11})
    assert [text.splitlines()[0].removeprefix("rom.1.steps.1.then.1.crc-16") for text in told] == [
        ': byte-order is missing; expected "little-endian" or "big-endian"',
        ": init is missing; expected a whole number from 0x0000 to 0xFFFF",
        ": poly is missing; expected a whole number from 0x0001 to 0xFFFF",
        ": reflected is missing; expected true or false",
        ": xor-out is missing; expected a whole number from 0x0000 to 0xFFFF",
        ".name: unknown key",
    ]
