"""Ranges of bytes joined, and where two byte strings of one length differ."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

Span = tuple[int, int]
"""Bytes from the first offset up to but not including the second."""

PART = 1 << 15
"""Bytes compared at a time: equal ones are told far quicker than their difference is made."""

RUN = re.compile(rb"[^\0]+")


def joined(spans: Iterable[Span]) -> list[Span]:
    """Return spans ascending, those that touch or overlap as one."""
    found: list[Span] = []
    for start, end in sorted(spans):
        if found and start <= found[-1][1]:
            found[-1] = found[-1][0], max(end, found[-1][1])
        else:
            found.append((start, end))
    return found


def differing_at(first: bytes, second: bytes) -> Iterator[int]:
    """Yield where two byte strings of one length differ."""
    for at, mask in _differences(first, second):
        for match in RUN.finditer(mask):
            yield from range(at + match.start(), at + match.end())


def differing_count(first: bytes, second: bytes) -> tuple[int, int]:
    """Return how many bytes of two byte strings of one length differ, and where the first of them is, -1 for none."""
    count, place = 0, -1
    for at, mask in _differences(first, second):
        count += len(mask) - mask.count(0)
        if place < 0:
            place = at + len(mask) - len(mask.lstrip(b"\0"))
    return count, place


def _differences(first: bytes, second: bytes) -> Iterator[tuple[int, bytes]]:
    """Yield the XOR of each part that is not equal, which is zero where both are equal, with the part's offset."""
    for at in range(0, len(first), PART):
        one, other = first[at : at + PART], second[at : at + PART]
        if one != other:
            yield at, (int.from_bytes(one, "little") ^ int.from_bytes(other, "little")).to_bytes(len(one), "little")
