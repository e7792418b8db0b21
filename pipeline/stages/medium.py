"""An image or disk as it is verified: read as far as it can be, and beside it what a plan has there."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from pipeline.device.identify import structure
from pipeline.model.plan import SECTOR, Plan
from pipeline.record.regions import Region
from pipeline.stages.sides import PART, read_at


@dataclass(slots=True)
class Medium:
    """An image or disk; what cannot be read counts as zeros, and is noted sector by sector."""

    descriptor: int
    size: int
    bad: set[int] = field(default_factory=set)
    reader: Callable[[int, int, int], bytes] = read_at

    def read(self, offset: int, length: int) -> bytes:
        """Return exactly ``length`` bytes."""
        try:
            return self.reader(self.descriptor, offset, length).ljust(length, b"\0")
        except OSError:
            if length <= SECTOR:
                self.bad.add(offset // SECTOR)
                return bytes(length)
        half = max(length // 2 // SECTOR, 1) * SECTOR - offset % SECTOR
        return self.read(offset, half) + self.read(offset + half, length - half)

    def digest(self, ranges: Iterable[tuple[int, int]]) -> str:
        """Return the SHA-256 of (offset, bytes) ranges in a row."""
        found = hashlib.sha256()
        for start, length in ranges:
            for at in range(start, start + length, PART):
                found.update(self.read(at, min(PART, start + length - at)))
        return found.hexdigest()


class Planned:
    """The bytes a plan has outside of files, as an image that can be read; files are zeros in it."""

    def __init__(self, plan: Plan) -> None:
        self.size = plan.volume.card_sectors * SECTOR
        self._pieces = sorted(structure(plan))

    def read(self, offset: int, length: int) -> bytes:
        """Return exactly ``length`` bytes."""
        data = bytearray(length)
        for at, piece in self._pieces:
            start, end = max(at, offset), min(at + len(piece), offset + length)
            if start < end:
                data[start - offset : end - offset] = piece[start - at : end - at]
        return bytes(data)


def unreadable(medium: Medium, regions: Iterable[Region]) -> tuple[tuple[int, int, str], ...]:
    """Return the ranges that could not be read, each with whose it is."""
    found: list[tuple[int, int, str]] = []
    for region in regions:
        first, last = region.start // SECTOR, -(-region.end // SECTOR)
        for sector in sorted(bad for bad in medium.bad if first <= bad < last):
            start, end = max(sector * SECTOR, region.start), min((sector + 1) * SECTOR, region.end)
            if found and found[-1][1:] == (start, str(region.owner)):
                found[-1] = found[-1][0], end, str(region.owner)
            else:
                found.append((start, end, str(region.owner)))
    return tuple(found)
