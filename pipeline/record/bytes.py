"""Differing bytes counted by owner, every one of them once."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from pipeline.model.spans import differing_count
from pipeline.record.regions import Owner, Region

SAMPLE = 16
"""Bytes shown of each, from the first that differs on."""


@dataclass(frozen=True, slots=True)
class Differing:
    """Bytes that differ and belong to ``old`` on the one side and to ``new`` on the other.

    ``count``: of them; ``first``: offset of the first; ``before``, ``after``: some bytes from there on.
    """

    old: Owner
    new: Owner
    count: int
    first: int
    before: bytes
    after: bytes


class Tally:
    """Takes blocks of two images in any order; each byte must be given once."""

    def __init__(self, old: Sequence[Region], new: Sequence[Region]) -> None:
        self._sides = old, new
        self._starts = tuple([region.start for region in side] for side in self._sides)
        self._found: dict[tuple[Owner, Owner], Differing] = {}

    def add(self, offset: int, old: bytes, new: bytes) -> None:
        """Compare two blocks of the same length that lie at an offset of both images."""
        for start, end, before, after in self._pieces(offset, offset + len(old)):
            piece = slice(start - offset, end - offset)
            count, first = differing_count(old[piece], new[piece])
            if count:
                sample = slice(piece.start + first, min(piece.start + first + SAMPLE, piece.stop))
                self._note(Differing(before, after, count, start + first, old[sample], new[sample]))

    def _note(self, found: Differing) -> None:
        key = found.old, found.new
        known = self._found.get(key)
        if known is not None:
            earliest = min(known, found, key=lambda differing: differing.first)
            found = Differing(*key, known.count + found.count, earliest.first, earliest.before, earliest.after)
        self._found[key] = found

    def _pieces(self, start: int, end: int) -> Iterator[tuple[int, int, Owner, Owner]]:
        """Yield the range in pieces that have one owner on either side."""
        at = [max(bisect_right(starts, start) - 1, 0) for starts in self._starts]
        while start < end:
            regions = [side[number] for side, number in zip(self._sides, at, strict=True)]
            stop = min(end, *(region.end for region in regions))
            yield start, stop, regions[0].owner, regions[1].owner
            at = [number + (region.end == stop) for number, region in zip(at, regions, strict=True)]
            start = stop

    @property
    def found(self) -> tuple[Differing, ...]:
        """All that was found, by offset of the first byte."""
        return tuple(sorted(self._found.values(), key=lambda differing: differing.first))
