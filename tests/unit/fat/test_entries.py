from __future__ import annotations

from datetime import datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.fat.entries import (
    SLOT,
    dot_entries,
    encode_moment,
    file_entry,
    folder_entry,
    label_entry,
    long_name_slots,
    raw_label,
)
from pipeline.fat.names import checksum, raw_short

MOMENT = datetime(2026, 11, 25, 4, 5, 6)
DATE, TIME = "79 5D", "A3 20"


@pytest.mark.parametrize(
    ("year", "month", "day", "expected"),
    [
        # pyfatfs 1.1.0 (DosDateTime) and directory entries written by mtools 4.0.32.
        (1980, 1, 1, 0x0021),
        (2000, 2, 29, 0x285D),
        (2001, 2, 3, 0x2A43),
        (2026, 11, 25, 0x5D79),
        (2107, 12, 31, 0xFF9F),
    ],
)
def test_dates(year: int, month: int, day: int, expected: int) -> None:
    assert encode_moment(datetime(year, month, day))[0] == expected


@pytest.mark.parametrize(
    ("hour", "minute", "second", "expected"),
    [
        # The same sources.
        (0, 0, 0, 0x0000),
        (4, 5, 6, 0x20A3),
        (4, 5, 7, 0x20A3),
        (7, 25, 22, 0x3B2B),
        (23, 59, 58, 0xBF7D),
    ],
)
def test_times(hour: int, minute: int, second: int, expected: int) -> None:
    assert encode_moment(datetime(2000, 1, 1, hour, minute, second))[1] == expected


@pytest.mark.parametrize("year", [1979, 2108])
def test_years_an_entry_cannot_hold(year: int) -> None:
    with pytest.raises(ValueError, match=f"^year {year} cannot be written; expected 1980 to 2107$"):
        encode_moment(datetime(year, 6, 1))


@given(st.datetimes(datetime(1980, 1, 1), datetime(2107, 12, 31, 23, 59, 59)))
def test_a_moment_is_decoded_to_itself_within_two_seconds(moment: datetime) -> None:
    """Microsoft FAT specification 1.03, "Date and Time Formats"."""
    date, time = encode_moment(moment)

    decoded = datetime(1980 + (date >> 9), date >> 5 & 15, date & 31, time >> 11, time >> 5 & 63, (time & 31) * 2)
    assert timedelta(0) <= moment - decoded < timedelta(seconds=2)


def test_the_slot_of_a_file() -> None:
    """Microsoft FAT specification 1.03, "FAT 32 Byte Directory Entry Structure"."""
    assert file_entry("FIRST.BIN", 0x00123456, 0x01020304, MOMENT) == bytes.fromhex(
        f"46 49 52 53 54 20 20 20 42 49 4E 20 00 00 {TIME} {DATE} {DATE} 12 00 {TIME} {DATE} 56 34 04 03 02 01"
    )


def test_the_slot_of_a_folder_has_no_size() -> None:
    """Microsoft FAT specification 1.03: DIR_FileSize of a directory is 0; attribute 10."""
    assert folder_entry("GOODS", 3, MOMENT) == bytes.fromhex(
        f"47 4F 4F 44 53 20 20 20 20 20 20 10 00 00 {TIME} {DATE} {DATE} 00 00 {TIME} {DATE} 03 00 00 00 00 00"
    )


def test_the_slot_of_a_label_has_no_cluster_and_no_size() -> None:
    """Microsoft FAT specification 1.03: attribute 08, cluster and size 0."""
    assert label_entry("CLUBNIGHT", MOMENT) == bytes.fromhex(
        f"43 4C 55 42 4E 49 47 48 54 20 20 08 00 00 {TIME} {DATE} {DATE} 00 00 {TIME} {DATE} 00 00 00 00 00 00"
    )


def test_a_folder_begins_with_itself_and_its_parent() -> None:
    """Microsoft FAT specification 1.03: "." and ".." padded with blanks; ".." of a folder in the root is 0."""
    stamps = f"00 00 {TIME} {DATE} {DATE}"
    assert dot_entries(0x00010009, 0, MOMENT) == bytes.fromhex(
        f"2E 20 20 20 20 20 20 20 20 20 20 10 {stamps} 01 00 {TIME} {DATE} 09 00 00 00 00 00"
        f"2E 2E 20 20 20 20 20 20 20 20 20 10 {stamps} 00 00 {TIME} {DATE} 00 00 00 00 00 00"
    )


@pytest.mark.parametrize(("label", "expected"), [("", b"NO NAME    "), ("A", b"A          ")])
def test_a_label_is_11_bytes_and_no_label_is_no_name(label: str, expected: bytes) -> None:
    """Microsoft FAT specification 1.03, BS_VolLab."""
    assert raw_label(label) == expected


def test_the_slots_of_a_long_name() -> None:
    """Bytes that mtools 4.0.32 writes for this name."""
    assert long_name_slots("The quick brown.fox", "THEQUI~1.FOX") == bytes.fromhex(
        "42 77 00 6E 00 2E 00 66 00 6F 00 0F 00 07 78 00 00 00 FF FF FF FF FF FF FF FF 00 00 FF FF FF FF"
        "01 54 00 68 00 65 00 20 00 71 00 0F 00 07 75 00 69 00 63 00 6B 00 20 00 62 00 00 00 72 00 6F 00"
    )


def test_a_name_that_is_8_3_has_no_slots() -> None:
    assert long_name_slots("FIRST.BIN", "FIRST.BIN") == b""


@given(st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=1, max_size=127))
def test_a_long_name_is_read_back_from_its_slots(name: str) -> None:
    """Microsoft FAT specification 1.03, "Long Directory Entries": order, checksum, end and padding."""
    found = long_name_slots(name, "X~1")

    slots = [found[start : start + SLOT] for start in range(0, len(found), SLOT)]
    assert [slot[0] & 0x3F for slot in slots] == list(range(len(slots), 0, -1))
    assert [slot[0] & 0x40 for slot in slots] == [0x40] + [0] * (len(slots) - 1)
    assert {slot[11:14] for slot in slots} == {bytes([0x0F, 0, checksum(raw_short("X~1"))])}
    assert {slot[26:28] for slot in slots} == {b"\0\0"}
    text = b"".join(slot[1:11] + slot[14:26] + slot[28:32] for slot in reversed(slots))
    units = [text[start : start + 2] for start in range(0, len(text), 2)]
    length = len(name.encode("utf-16-le")) // 2
    assert b"".join(units[:length]).decode("utf-16-le") == name
    assert units[length:] == ([b"\0\0"] + [b"\xff\xff"] * (len(units) - length - 1) if length % 13 else [])
