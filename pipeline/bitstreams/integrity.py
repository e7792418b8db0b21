"""Whether a bitstream is complete and undamaged, as far as its own sizes, counts and check sums tell."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from pipeline.model.text import counted

PADDING = b"\xff\0\x20\r\n"
"""Bytes that may follow the end of a configuration: erased memory, zeros, no-operations, line ends."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Integrity:
    """``truncated``: it ends early. ``damage``: what cannot be right in it, or "".

    ``doubt``: what is odd in it and may be right, or "". ``checked``: whether it carries a size, a count or a check sum
    that could be checked.
    """

    truncated: bool = False
    damage: str = ""
    doubt: str = ""
    checked: bool = True


INTACT = Integrity()
TRUNCATED = Integrity(truncated=True)
UNCHECKED = Integrity(checked=False)


def damaged(damage: str) -> Integrity:
    """Return the finding for a bitstream that contradicts itself."""
    return Integrity(damage=damage)


def after_end(data: bytes, end: int, *marks: bytes, origin: int = 0) -> Integrity:
    """Return the finding for a configuration that ends at offset ``end``: padding may follow, no second bitstream.

    ``marks``: bytes that every bitstream of the format has near its start. ``origin``: the offset in the file of the
    first byte of ``data``.
    """
    rest = data[end:]
    starts = [start for start in (rest.find(mark) for mark in marks) if start >= 0]
    if starts:
        return damaged(f"a second bitstream follows: its first mark is at offset 0x{origin + end + min(starts):X}")
    if rest.strip(PADDING):
        following = counted(len(rest), "byte")
        return Integrity(doubt=f"{following} of other data follow its end, at offset 0x{origin + end:X}")
    return INTACT


def worst(findings: Iterable[Integrity]) -> Integrity:
    """Return the first finding of the worst kind: cut short, damaged, doubtful, unchecked, intact."""
    return min(findings, key=lambda found: (not found.truncated, not found.damage, not found.doubt, found.checked))
