"""What a volume is read from, and the list of what was found wrong."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

from pipeline.model.reading import Finding

Read = Callable[[int, int], bytes]
"""Gives the bytes at an offset, fewer where the source ends."""

MOST_OF_A_KIND = 100
"""Findings kept of each kind; the rest is counted."""


class NotFatError(ValueError):
    """There is no FAT volume at all; the message says what was found in its place, ``hint`` what to do."""

    def __init__(self, what: str, hint: str) -> None:
        super().__init__(what)
        self.hint = hint


class PaddedReader:
    """Bytes of a known size; what lies beyond the end, or is given short, reads as zeros."""

    def __init__(self, read: Read, size: int) -> None:
        self._read = read
        self.size = size

    def read(self, offset: int, length: int) -> bytes:
        """Return exactly ``length`` bytes."""
        available = max(0, min(length, self.size - offset))
        return (self._read(offset, available) if available else b"")[:available].ljust(length, b"\0")


class Findings:
    """Collects findings, at most so many of a kind, so that noise cannot fill the memory."""

    def __init__(self) -> None:
        self._kept: list[Finding] = []
        self._counts: Counter[str] = Counter()

    def add(self, kind: str, what: str, *, offset: int = 0, path: str = "") -> None:
        """Add one."""
        self._counts[kind] += 1
        if self._counts[kind] <= MOST_OF_A_KIND:
            self._kept.append(Finding(kind=kind, offset=offset, path=path, what=what))

    def sorted(self) -> tuple[Finding, ...]:
        """Return all that were kept by offset, and a line for each kind of which there were more."""
        more = (
            Finding(kind=kind, offset=0, path="", what=f"and {count - MOST_OF_A_KIND:,} more of this kind")
            for kind, count in self._counts.items()
            if count > MOST_OF_A_KIND
        )
        return tuple(sorted([*self._kept, *more], key=lambda found: (found.offset, found.kind, found.path, found.what)))
