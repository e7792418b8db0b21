"""Gowin .fs files: text, one record a line, as the digits 0 and 1 of its bytes, highest bit first.

Comment lines begin with "//". After a line ending in A5C3 come records: 06 (86 with a check) and the 32-bit id the
device must have, after three zero bytes; 3B (BB) with the number of frames in its last two bytes; then that many
lines of frames; then records again, 08 (88) last: configuration done. Sources: apycula, doc/commandstructure, checked
against files of gowin_pack; UG290. The comment "//Part Number: GW1NR-LV9QN88PC6/I5" is from memory and not met in a
real file.
"""

from __future__ import annotations

import re

from pipeline.bitstreams.bitstream import Bitstream, weigh
from pipeline.bitstreams.parts import Part, read_part
from pipeline.bitstreams.table_gowin import GOWIN

HEAD = 16_384
"""Bytes in which the id must come: comments and a few short records stand before it."""

START = re.compile(rb"\s*(?://|[01]{8})")
SYNC = f"{0xA5C3:016b}".encode()
PART = re.compile(rb"^//\s*Part Number:\s*([\w./-]{2,64})", re.MULTILINE)
CHECKED = 0x80
DEVICE_ID, FRAMES, DONE = 0x06, 0x3B, 0x08
MAKER = 0x81B
MOST_RECORDS = 100
SHORTEST_FRAME = 65
"""Digits: a frame ends in 64 of check sum and padding; the records after the frames have 64 at most."""


def identify_gowin(data: bytes) -> Bitstream | None:
    """Return what a Gowin .fs file says, None for anything else."""
    head = data[:HEAD]
    if not START.match(head):
        return None
    sync = re.search(rb"^[01]*" + SYNC + rb"\r?\n", head, re.MULTILINE)
    device_id = _device_id(head[sync.end() :]) if sync else None
    if sync is None or device_id is None:
        return None
    told = PART.search(head[: sync.start()])
    named = weigh(device_id, read_part(told[1].decode("ascii", "replace")) if told else Part())
    return Bitstream(
        maker=GOWIN,
        format="Gowin .fs file",
        size=len(data),
        family=named.family,
        devices=named.devices,
        device_id=device_id,
        id_mask=named.id_mask,
        package=named.package,
        truncated=not _is_whole(data[sync.end() :]),
        contradictory=named.contradictory,
    )


def _device_id(text: bytes) -> int | None:
    for line in text.split(b"\n")[:MOST_RECORDS]:
        record = _record(line)
        if record and record[0] | CHECKED == DEVICE_ID | CHECKED and len(record) == 8:
            device_id = int.from_bytes(record[4:], "big")
            return device_id if device_id & 0xFFF == MAKER and not any(record[1:4]) else None
    return None


def _is_whole(text: bytes) -> bool:
    """Tell whether all frames the file announces are there, and the record that ends the configuration."""
    lines = text.splitlines()
    for number, line in enumerate(lines[:MOST_RECORDS]):
        record = _record(line)
        if record and record[0] | CHECKED == FRAMES | CHECKED:
            after = number + 1 + int.from_bytes(record[2:4], "big")
            if any(len(frame.strip()) < SHORTEST_FRAME for frame in lines[number + 1 : after]):
                return False
            ends = [_record(last) for last in lines[after:] if len(last) == 32]
            return any(end[0] | CHECKED == DONE | CHECKED for end in ends if end)
    return False


def _record(line: bytes) -> bytes:
    """Return the bytes of a line of binary digits, none if it is anything else."""
    digits = line.strip()
    if not digits or len(digits) % 8 or digits.strip(b"01"):
        return b""
    return int(digits, 2).to_bytes(len(digits) // 8, "big")
