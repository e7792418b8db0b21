"""The header of a Xilinx .bit file.

Layout, all numbers big-endian: u16 9 and nine bytes 0F F0 0F F0 0F F0 0F F0 00; u16 1; then fields of a key letter, a
u16 length and that many bytes of text ending in NUL: "a" design name and options, "b" part, "c" date, "d" time; last
the key "e" and a u32 length of the data that follow. Only "b" and "e" are kept: the others tell of the builder.
Source: fpga-faq.com FAQ 0026, "Tell me about bit files".
"""

from __future__ import annotations

import re
from dataclasses import dataclass

MAGIC = bytes.fromhex("0009 0FF00FF00FF00FF000 0001")
TEXT_KEYS = (b"a", b"b", b"c", b"d")
PART = re.compile(rb"[ -~]*\0?")


@dataclass(frozen=True, slots=True, kw_only=True)
class BitHeader:
    """``part``: as the tools write it ("6slx9tqg144"). ``data``: offset of the data; ``length``: their bytes.

    ``length`` is None where the file ends within its header, or where the header cannot be read; then ``damage`` says
    what is wrong with it.
    """

    part: str = ""
    data: int = 0
    length: int | None = None
    damage: str = ""


def read_header(data: bytes) -> BitHeader | None:
    """Return the header at the start of a .bit file, None where there is none."""
    if not data.startswith(MAGIC):
        return None
    position = len(MAGIC)
    part = ""
    for key in TEXT_KEYS:
        length = int.from_bytes(data[position + 1 : position + 3], "big")
        end = position + 3 + length
        if data[position : position + 1] != key or end > len(data):
            return BitHeader(part=part, data=position, damage=_other_key(data, position, key))
        if key == b"b":
            text = data[position + 3 : end]
            if not PART.fullmatch(text):
                return BitHeader(data=end, damage=f"the part at offset 0x{position + 3:X} is not text")
            part = text.rstrip(b"\0").decode("ascii")
        position = end
    if data[position : position + 1] != b"e" or position + 5 > len(data):
        return BitHeader(part=part, data=position, damage=_other_key(data, position, b"e"))
    return BitHeader(part=part, data=position + 5, length=int.from_bytes(data[position + 1 : position + 5], "big"))


def _other_key(data: bytes, position: int, expected: bytes) -> str:
    """Return what is wrong where a field should begin; "" where it is the right one, or the file ends."""
    found = data[position : position + 1]
    if found in (b"", expected):
        return ""
    return f'found 0x{found.hex().upper()} at offset 0x{position:X}, expected the field "{expected.decode()}"'
