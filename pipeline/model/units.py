"""Sizes and byte strings as people write them."""

from __future__ import annotations

import re
from collections.abc import Container
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


def written_size(size: int) -> str | int:
    """Return a size as it is written for a chip: with a binary unit where that is a whole number, else in bytes."""
    return show_size(size).replace(",", "") if size and size % 1024 == 0 else size


ALMOST = re.compile(r"([0-9]{1,15}(?:\.[0-9]{1,15})?)\s*(?:([kKmMgG])i?[bB]?|[bB]|[bB]ytes?)")
"""What people write for a size: the number, and the first letter of a unit that may be another than they mean."""


def size_hint(text: str, units: Container[str]) -> str:
    """Return what to write in place of a text that is almost a size, in some of ``UNITS``; "" for any other text."""
    match = ALMOST.fullmatch(text.strip())
    if match is None:
        return ""
    number, letter = match[1], match[2]
    if letter is None:
        return f"write {number}"
    hints = []
    for unit in (f"{letter.upper()}iB", "kB" if letter in "kK" else f"{letter.upper()}B"):
        size = Fraction(number) * UNITS[unit]
        if size.denominator == 1:
            written = f'"{number} {unit}"' if unit in units else str(size)
            hints.append(f"{written} for {int(size):,} bytes")
    return f"write {', or '.join(hints)}" if hints else ""


def parse_bytes(text: str) -> bytes:
    """Return the bytes that hexadecimal text ("DE AD BE EF") means; raises ValueError for anything else."""
    try:
        return bytes.fromhex(text)
    except ValueError:
        raise ValueError(f'{text!r} is not hexadecimal text; expected pairs of digits such as "DE AD"') from None
