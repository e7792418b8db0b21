"""Efinix bitstreams: text, two hexadecimal digits a line. The first 256 bytes are a header of lines.

"Version", "Generated", "Project", "Family", "Device" (with its package: "T8F81"), "Width", "Mode", filled up with line
feeds; the data begin with 16 8A 22 36. There is no id and no length, so a file cut short shows only where it ends
within a line. The format is not published; it is as found in five files of the maker's tools. Project names and the
builder's folders stand in the header: only "Family" and "Device" are looked at.
"""

from __future__ import annotations

import re

from pipeline.bitstreams.bitstream import Bitstream, weigh
from pipeline.bitstreams.parts import read_part
from pipeline.bitstreams.table_efinix import EFINIX

HEADER = 256
DATA = bytes.fromhex("168A2236")
LINES = re.compile(rb"(?:[0-9A-Fa-f]{2}\r?\n){%d}" % (HEADER + len(DATA)))
DEVICE = re.compile(rb"^Device: ([\w-]{2,32})$", re.MULTILINE)


def identify_efinix(data: bytes) -> Bitstream | None:
    """Return what an Efinix bitstream says, None for anything else."""
    found = LINES.match(data)
    if not found:
        return None
    start = bytes.fromhex(found[0].decode("ascii"))
    header, first = start[:HEADER], start[HEADER:]
    device = DEVICE.search(header)
    if first != DATA or not header.startswith(b"Version: ") or not device:
        return None
    named = weigh(None, read_part(device[1].decode("ascii", "replace")))
    return Bitstream(
        maker=EFINIX,
        format="Efinix bitstream",
        size=len(data),
        family=named.family,
        devices=named.devices,
        package=named.package,
        truncated=not re.search(rb"\n[0-9A-Fa-f]{2}\r?\n?\Z", data[-8:]),
    )
