"""The records of a Gowin .fs file after its line of synchronization, one a line, followed to the end.

A record's first byte says what it is; 80 more marks a check. 10 holds flags (bit 13 of its last two bytes: the frames
are compressed); 3B (BB) the number of frames in its last two bytes, and 80 in its second byte where they carry a CRC.
The frames follow, one a line: data, a CRC (lowest byte first) and six bytes FF; uncompressed ones are equally long. The
CRC is CRC-16/ARC over everything since the line of synchronization or the CRC before, except record D2. After the
frames come 18 bytes FF with a CRC, and records; 08 (88) is the last: configuration done; lines of FF are idle.
Source: apycula 0.32, doc/commandstructure and ``bslib.py``; measured on files of gowin_pack. No file of the maker's own
tools was met.
"""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.bitstreams.checksums import crc16_arc
from pipeline.bitstreams.integrity import INTACT, TRUNCATED, Integrity, damaged
from pipeline.model.text import counted

SYNC_WORD = bytes.fromhex("A5C3")
CHECKED = 0x80
FLAGS, ADDRESS, FRAMES, DONE = 0x10, 0xD2, 0x3B, 0x08
COMPRESSED = 1 << 13

LENGTHS = {0x06: 8, 0x08: 4, 0x0A: 8, 0x0B: 4, 0x10: 8, 0x12: 4, 0x3B: 4, 0x51: 8, 0x52: 8}
"""Bytes of a record, by its first byte without the check mark; of others it is 4 or 8."""

CHECK_AND_IDLE = 8
"""Bytes after the data of a frame: two of CRC, six FF."""

END_OF_FRAMES = 20
"""Bytes of the line after the frames: 18 FF and two of CRC."""


IDLE = b"\xff"


@dataclass(frozen=True, slots=True)
class _Record:
    """One line: its number in the file, its bytes, none where it is no line of binary digits."""

    line: int
    data: bytes

    @property
    def kind(self) -> int:
        """Its first byte without the check mark; -1 for none."""
        return self.data[0] & ~CHECKED if self.data else -1

    @property
    def is_idle(self) -> bool:
        """Whether it is nothing but FF."""
        return not self.data.strip(IDLE)


def check_records(data: bytes, start: int, *, has_frame_crc: bool) -> Integrity:
    """Return whether the records from offset ``start``, the line after the synchronization, are whole.

    ``has_frame_crc``: the device's frames carry a CRC where their record says so, and nothing but records follows them.
    """
    records = _records(data, start)
    fault = _fault(records, has_frame_crc=has_frame_crc)
    if fault is None:
        return INTACT
    line, what = fault
    is_cut = not records or line >= records[-1].line
    return TRUNCATED if is_cut else damaged(f"line {line:,}: {what}")


def _records(data: bytes, start: int) -> list[_Record]:
    first = data.count(b"\n", 0, start) + 1
    lines = ((number, line.strip()) for number, line in enumerate(data[start:].split(b"\n"), first))
    return [_Record(number, read_record(line)) for number, line in lines if line and not line.startswith(b"//")]


def _fault(records: list[_Record], *, has_frame_crc: bool) -> tuple[int, str] | None:
    """Return line and text of the first thing that cannot be right, None where there is none."""
    end = records[-1].line if records else 0
    for record in records:
        if not record.data:
            return record.line, "it is not a record of binary digits"
    before = next((index for index, record in enumerate(records) if record.kind == FRAMES), None)
    if before is None:
        return end, "the frames are missing"
    head = records[: before + 1]
    if fault := _odd_length(head):
        return fault
    announced = head[-1].data
    first, last = before + 1, before + 1 + int.from_bytes(announced[2:4], "big")
    compressed = any(int.from_bytes(record.data[6:8], "big") & COMPRESSED for record in head if record.kind == FLAGS)
    if has_frame_crc and announced[1] & CHECKED:
        crc = crc16_arc(b"".join(record.data for record in head if record.kind | CHECKED != ADDRESS))
        fault = _wrong_crc(records[first:last], crc) or _wrong_end(records[last : last + 1])
    elif not compressed:
        fault = _other_length(records[first:last])
    else:
        fault = None
    if fault:
        return fault
    return _wrong_tail(records[last:], end, only_records=has_frame_crc)


def _odd_length(records: list[_Record]) -> tuple[int, str] | None:
    for record in records:
        lengths = (LENGTHS[record.kind],) if record.kind in LENGTHS else (4, 8)
        if not record.is_idle and len(record.data) not in lengths:
            return record.line, f"record 0x{record.data[0]:02X} has {counted(len(record.data), 'byte')}"
    return None


def _wrong_crc(frames: list[_Record], crc: int) -> tuple[int, str] | None:
    for number, frame in enumerate(frames, 1):
        data, check = frame.data[:-CHECK_AND_IDLE], frame.data[-CHECK_AND_IDLE:]
        if not data or crc16_arc(data, crc) != int.from_bytes(check[:2], "little"):
            return frame.line, f"the CRC of frame {number:,} is wrong"
        crc = crc16_arc(check[2:])
    return None


def _wrong_end(records: list[_Record]) -> tuple[int, str] | None:
    """Check the line after the frames: its CRC begins with the six bytes after the last frame's."""
    for record in records:
        check = int.from_bytes(record.data[-2:], "little")
        if len(record.data) != END_OF_FRAMES or crc16_arc(IDLE * 6 + record.data[:-2]) != check:
            return record.line, "the frames do not end here as announced"
    return None


def _other_length(frames: list[_Record]) -> tuple[int, str] | None:
    for frame in frames[1:]:
        if len(frame.data) != len(frames[0].data):
            return frame.line, f"a frame has {len(frame.data):,} bytes, the first has {len(frames[0].data):,}"
    return None


def _wrong_tail(records: list[_Record], end: int, *, only_records: bool) -> tuple[int, str] | None:
    """Check what follows the frames: records up to "configuration done", then nothing but idle lines."""
    done = next((index for index, record in enumerate(records) if record.kind == DONE and len(record.data) == 4), None)
    if done is None:
        return end, "the record that ends the configuration is missing"
    if only_records and (fault := _odd_length(records[1:done])):
        return fault
    for record in records[done + 1 :]:
        if record.data.endswith(SYNC_WORD):
            return record.line, "a second bitstream follows"
        if only_records and not record.is_idle:
            return record.line, "a record follows the one that ends the configuration"
    return None


def read_record(line: bytes) -> bytes:
    """Return the bytes of a line of binary digits, none if it is anything else."""
    digits = line.strip()
    if not digits or len(digits) % 8 or digits.strip(b"01"):
        return b""
    return int(digits, 2).to_bytes(len(digits) // 8, "big")
