"""Bitstreams made with open tools from a trivial design; ``made/README.md`` says how.

They are strangers to our readers of the formats, written by programs that share nothing with them. They are no proof
of a device id: the tools write the ids of their own tables.
"""

from __future__ import annotations

import itertools
import re

import pytest

from pipeline.bitstreams.bitstream import DEVICE, DIE_CLASS, Bitstream
from pipeline.bitstreams.device import OPEN_FILE
from pipeline.bitstreams.devices import DEVICES, with_die
from pipeline.bitstreams.identify import identify
from pipeline.bitstreams.integrity import INTACT
from tests.unit.bitstreams.samples import MADE, made

WITH_ID = [
    # file, devices, id as given to or printed by the tool, package as given to it
    ("ecp5-12k.bit", ("LFE5U-12F",), 0x21111043, "CABGA381"),
    ("ecp5-25k.bit", ("LFE5U-25F",), 0x41111043, "CABGA381"),
    ("ecp5-25k-uncompressed.bit", ("LFE5U-25F",), 0x41111043, "CABGA381"),
    ("ecp5-45k.bit", ("LFE5U-45F",), 0x41112043, "CABGA381"),
    ("ecp5-85k.bit", ("LFE5U-85F",), 0x41113043, "CABGA381"),
    ("ecp5-um-25k.bit", ("LFE5UM-25F",), 0x01111043, "CABGA381"),
    ("ecp5-um-45k.bit", ("LFE5UM-45F",), 0x01112043, "CABGA381"),
    ("ecp5-um-85k.bit", ("LFE5UM-85F",), 0x01113043, "CABGA381"),
    ("ecp5-um5g-25k.bit", ("LFE5UM5G-25F",), 0x81111043, "CABGA381"),
    ("ecp5-um5g-45k.bit", ("LFE5UM5G-45F",), 0x81112043, "CABGA381"),
    ("ecp5-um5g-85k.bit", ("LFE5UM5G-85F",), 0x81113043, "CABGA381"),
    ("xo2-1200hc.bit", ("LCMXO2-1200HC",), 0x012BA043, "TG144"),
    ("xo2-1200hc-uncompressed.bit", ("LCMXO2-1200HC",), 0x012BA043, "TG144"),
    ("xo2-1200ze.bit", ("LCMXO2-1200ZE",), 0x012B2043, "TG144"),
    ("xo2-640uhc.bit", ("LCMXO2-640UHC",), 0x012BA043, "TG144"),
    ("gowin-GW1N-1.fs", ("GW1N-1",), 0x0900281B, ""),
    ("gowin-GW1N-4.fs", ("GW1N-4",), 0x0100381B, ""),
    ("gowin-GW1N-9.fs", ("GW1N-9", "GW1NR-9"), 0x1100581B, ""),
    ("gowin-GW1N-9C.fs", ("GW1N-9C", "GW1NR-9C"), 0x1100481B, ""),
    ("gowin-GW1NS-4.fs", ("GW1NS-4C", "GW1NSR-4C"), 0x0100981B, ""),
    ("gowin-GW1NZ-1.fs", ("GW1NZ-1",), 0x0100681B, ""),
    ("gowin-GW1NZ-1-uncompressed.fs", ("GW1NZ-1",), 0x0100681B, ""),
    ("gowin-GW2A-18.fs", ("GW2A-18", "GW2A-18C", "GW2AR-18", "GW2AR-18C"), 0x0000081B, ""),
]

BY_DIE = [
    ("ice40-lp384.bin", ("iCE40LP384",)),
    ("ice40-lp1k.bin", ("iCE40LP1K", "iCE40HX1K")),
    ("ice40-hx1k.bin", ("iCE40LP1K", "iCE40HX1K")),
    ("ice40-hx1k-multi.bin", ("iCE40LP1K", "iCE40HX1K")),
    ("ice40-lp4k.bin", ("iCE40LP4K", "iCE40HX4K", "iCE40LP8K", "iCE40HX8K")),
    ("ice40-hx4k.bin", ("iCE40LP4K", "iCE40HX4K", "iCE40LP8K", "iCE40HX8K")),
    ("ice40-hx8k.bin", ("iCE40LP4K", "iCE40HX4K", "iCE40LP8K", "iCE40HX8K")),
    ("ice40-up5k.bin", ("iCE40UP3K", "iCE40UP5K")),
    ("ice40-u4k.bin", ("iCE5LP1K", "iCE5LP2K", "iCE5LP4K")),
]

ALL = [path.name.removesuffix(".gz") for path in sorted(MADE.glob("*.gz"))]


def found_in(data: bytes) -> Bitstream:
    found = identify(data)
    assert found is not None
    return found


def test_every_file_is_looked_at() -> None:
    assert sorted([name for name, *_ in WITH_ID] + [name for name, _ in BY_DIE] + ["ecp5-25k-as-12k.bit"]) == ALL


@pytest.mark.parametrize(("name", "devices", "device_id", "package"), WITH_ID)
def test_a_file_with_an_id(name: str, devices: tuple[str, ...], device_id: int, package: str) -> None:
    found = found_in(made(name))
    assert (found.devices, found.device_id, found.package) == (devices, device_id, package)
    assert (found.precision, found.truncated, found.contradictory) == (DEVICE, False, "")


@pytest.mark.parametrize(("name", "devices"), BY_DIE)
def test_an_ice40_file_tells_its_die_only(name: str, devices: tuple[str, ...]) -> None:
    found = found_in(made(name))
    assert (found.maker, found.family, found.format) == ("Lattice", "iCE40", "iCE40 bitstream")
    assert (found.devices, found.device_id, found.package) == (devices, None, "")
    assert (found.precision, found.truncated, found.contradictory) == (DIE_CLASS, False, "")


def test_the_id_is_believed_where_the_comment_names_another_device() -> None:
    """``ecppack --idcode`` changes the id and leaves the comment."""
    found = found_in(made("ecp5-25k-as-12k.bit"))
    assert (found.devices, found.device_id, found.package) == (("LFE5U-12F",), 0x21111043, "")
    assert found.contradictory == "its header names LFE5U-25F, its data are for LFE5U-12F"


def test_every_table_row_said_to_be_met_was_met_here_or_has_the_die_of_one() -> None:
    met = {device for _, devices, *_ in WITH_ID for device in devices[:1]}
    met = met - {"GW1NS-4C"} | {"GW1NSR-4C"}  # the one it was made for
    met |= {device for _, devices in BY_DIE for device in devices}
    assert met == {row.name for row in DEVICES if row.seen == OPEN_FILE}
    assert all(with_die("Lattice", row.die) for row in DEVICES if row.die)


def end_of(name: str, data: bytes) -> int:
    """Return where the last command of a file ends: what follows may be missing."""
    if name.endswith(".fs"):
        return data.rfind(b"\n00001000" + b"0" * 24) + 33
    if name.startswith("ice40"):
        return data.rfind(b"\x01\x06") + 2
    return data.rfind(b"\x5e\0\0\0") + 4


@pytest.mark.parametrize("name", ALL)
def test_a_file_cut_anywhere_is_cut_short_or_no_bitstream(name: str) -> None:
    data = made(name)
    end = end_of(name, data)
    known = 0
    points = [*range(0, min(end, 600), 13), *(end * part // 8 for part in range(8)), *range(end - 40, end, 3)]
    for cut in points:
        found = identify(data[:cut])
        known += found is not None
        assert found is None or found.truncated, cut
    assert known > 12
    padding = (b"\n" + b"1" * 64) if name.endswith(".fs") else b"\xff" * 5000
    for ending in (data[end:], b"", padding):
        assert found_in(data[:end] + ending).integrity == INTACT


def test_a_gowin_file_with_a_frame_missing_is_damaged() -> None:
    lines = made("gowin-GW1NZ-1.fs").splitlines(keepends=True)
    assert found_in(b"".join(lines)).integrity == INTACT
    assert found_in(b"".join(lines[:100] + lines[103:])).integrity.damage == "line 282: the CRC of frame 272 is wrong"


def test_line_endings_and_comments_of_a_gowin_file_do_not_matter() -> None:
    data = made("gowin-GW1NZ-1.fs")
    commented = b"//File Title: somebody's\n//Created Time: today\n" + data
    for changed in (data.replace(b"\n", b"\r\n"), commented, commented.replace(b"\n", b"\r\n")):
        found = found_in(changed)
        assert (found.devices, found.truncated, found.contradictory) == (("GW1NZ-1",), False, "")
        assert not re.search("somebody|today", repr(found))


def test_the_part_number_in_a_comment_of_a_gowin_file_tells_dies_of_one_id_apart() -> None:
    """From memory of the maker's files; written by hand, since no real one was to be had."""
    data = b"//Part Number: GW1NR-LV9QN88PC6/I5\n" + made("gowin-GW1N-9C.fs")
    found = found_in(data)
    assert (found.devices, found.package, found.contradictory) == (("GW1NR-9C",), "QN88P", "")
    found = found_in(b"//Part Number: GW2A-LV18PG256C8/I7\n" + made("gowin-GW1N-9C.fs"))
    assert (found.devices, found.package) == (("GW1N-9C", "GW1NR-9C"), "")
    assert found.contradictory == ("its header names GW2A-18 or GW2A-18C, its data are for GW1N-9C or GW1NR-9C")


def test_an_id_of_another_maker_makes_no_bitstream() -> None:
    """The low 12 bits of an id are its maker's (IEEE 1149.1)."""
    data = made("gowin-GW1NZ-1.fs")
    record = b"00000110" + b"0" * 24 + f"{0x0100681B:032b}".encode()
    assert found_in(data).devices == ("GW1NZ-1",)
    assert identify(data.replace(record, record[:-12] + f"{0x043:012b}".encode(), 1)) is None
    data = made("ecp5-25k.bit")
    silent = data[data.find(bytes.fromhex("FFFFBDB3")) :]
    assert found_in(silent).devices == ("LFE5U-25F",)
    assert identify(silent.replace(bytes.fromhex("41111043"), bytes.fromhex("4111181B"))) is None


def test_an_ice40_file_with_a_part_missing_is_damaged() -> None:
    data = made("ice40-hx1k.bin")
    damage = "0x00 at offset 0x1776 is not a command of the format"
    assert found_in(data[:1000] + data[1100:]).integrity.damage == damage


def ice40_with_comment(part: bytes) -> bytes:
    data = made("ice40-hx1k.bin")
    assert data.startswith(b"\xff\0\0\xff")
    return b"\xff\0Part: " + part + b"\0Date: some day\0\0\xff" + data[4:]


def test_the_comment_of_an_ice40_file_may_name_its_device() -> None:
    """From memory of the maker's files; written by hand, since no real one was to be had."""
    found = found_in(ice40_with_comment(b"iCE40HX1K-TQ144"))
    assert (found.devices, found.package, found.precision) == (("iCE40HX1K",), "TQ144", DEVICE)
    assert "some day" not in repr(found)
    found = found_in(ice40_with_comment(b"iCE40HX8K-CT256"))
    assert (found.devices, found.package, found.precision) == (("iCE40LP1K", "iCE40HX1K"), "", DIE_CLASS)
    assert found.contradictory == "its comment names iCE40HX8K, its data are for iCE40LP1K or iCE40HX1K"


def test_a_comment_that_names_no_known_part_is_not_kept() -> None:
    for name, real in (("ecp5-25k.bit", b"LFE5U-25F-6CABGA381"), ("xo2-1200hc.bit", b"LCMXO2-1200HC-4TG144C")):
        data = made(name)
        assert real in data
        for text in (b"attic-of-a-club", b"LFE5U-25F-HOME-OF-SOMEBODY", b"x" * 60):
            found = found_in(data.replace(real, text))
            assert (found.package, found.contradictory) == ("", "")
            assert not re.search("attic-of|club|HOME|SOMEBODY|xxx", repr(found), re.IGNORECASE)


def test_a_multi_image_file_that_starts_itself_again_and_again_ends() -> None:
    data = bytearray(made("ice40-hx1k-multi.bin"))
    for start in itertools.takewhile(lambda start: start < 160, itertools.count(0, 32)):
        data[start + 8 : start + 12] = bytes([3, 0, 0, 0])
    assert identify(bytes(data)) is None
