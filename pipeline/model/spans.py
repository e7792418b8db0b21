"""Ranges of bytes joined, and where two byte strings of one length differ."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

Span = tuple[int, int]
"""Bytes from the first offset up to but not including the second."""

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


def difference(first: bytes, second: bytes) -> bytes:
    """Return the XOR of two byte strings of one length: zero where they are equal."""
    return (int.from_bytes(first, "little") ^ int.from_bytes(second, "little")).to_bytes(len(first), "little")


def differing_at(first: bytes, second: bytes) -> Iterator[int]:
    """Yield where two byte strings of one length differ."""
    for match in RUN.finditer(difference(first, second)):
        yield from range(match.start(), match.end())
