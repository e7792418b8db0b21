"""Sizes and byte strings as people write them."""

from __future__ import annotations

import re
from fractions import Fraction

UNITS = {"B": 1, "kB": 10**3, "MB": 10**6, "GB": 10**9, "KiB": 2**10, "MiB": 2**20, "GiB": 2**30}
"""Bytes in each unit: SI prefixes are powers of 1000, binary ones of 1024 (IEC 80000-13)."""

SIZE = re.compile(r"(\d+(?:\.\d+)?) ?(B|kB|MB|GB|KiB|MiB|GiB)")


def parse_size(text: str | int) -> int:
    """Return the bytes that "4 KiB", "2 GB" or a plain number of bytes means.

    Raises ValueError when it is not a size, is negative, or is not a whole number of bytes.
    """
    if isinstance(text, int) and not isinstance(text, bool) and text >= 0:
        return text
    match = SIZE.fullmatch(text) if isinstance(text, str) else None
    if match is None:
        raise ValueError(f'{text!r} is not a size; expected whole bytes or text such as "4 KiB"')
    size = Fraction(match[1]) * UNITS[match[2]]
    if size.denominator != 1:
        raise ValueError(f"{text!r} is not a whole number of bytes")
    return int(size)


def show_size(size: int) -> str:
    """Return a size as it is shown: in the unit that gives the smallest whole number, else in bytes."""
    if size == 1:
        return "1 byte"
    fitting = [unit for unit, factor in UNITS.items() if size and factor > 1 and size % factor == 0]
    if not fitting:
        return f"{size:,} bytes"
    unit = max(fitting, key=UNITS.__getitem__)
    return f"{size // UNITS[unit]:,} {unit}"


def parse_bytes(text: str) -> bytes:
    """Return the bytes that hexadecimal text ("DE AD BE EF") means; raises ValueError for anything else."""
    try:
        return bytes.fromhex(text)
    except ValueError:
        raise ValueError(f'{text!r} is not hexadecimal text; expected pairs of digits such as "DE AD"') from None
