"""An image or disk as it is verified: read as far as it can be, and beside it what a plan has there."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from itertools import chain, islice

from pipeline.fat.structure import structure
from pipeline.image.contents import digest
from pipeline.image.opened import read_at
from pipeline.model.plan import SECTOR, Plan
from pipeline.record.fields import region_at
from pipeline.record.regions import Region


@dataclass(slots=True)
class CardImage:
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
        return digest(self.read, ranges)


class Planned:
    """The bytes a plan has outside of files, as an image that can be read; files are zeros in it."""

    def __init__(self, plan: Plan) -> None:
        self.size = plan.volume.card_sectors * SECTOR
        self._plan = plan
        self._pieces = sorted(structure(plan))
        self._starts = [at for at, _ in self._pieces]

    def read(self, offset: int, length: int) -> bytes:
        """Return exactly ``length`` bytes."""
        data = bytearray(length)
        first = max(bisect_right(self._starts, offset) - 1, 0)
        for at, piece in islice(self._pieces, first, bisect_left(self._starts, offset + length)):
            start, end = max(at, offset), min(at + len(piece), offset + length)
            if start < end:
                data[start - offset : end - offset] = piece[start - at : end - at]
        return bytes(data)

    def is_on(self, image: CardImage) -> bool:
        """Whether an image has the same tables and folders, and zeros where a cluster is not filled."""
        volume = self._plan.volume
        start_of_contents = volume.cluster_offset(2 + self._plan.root_clusters)
        ends = (
            (volume.cluster_offset(entry.cluster) + entry.size, entry.clusters * volume.cluster_bytes - entry.size)
            for entry in self._plan.entries
        )
        places = ((offset, length) for offset, length in chain([(0, start_of_contents)], ends) if length)
        return all(image.read(*place) == self.read(*place) for place in places)


def unreadable(image: CardImage, regions: Sequence[Region]) -> tuple[tuple[int, int, str], ...]:
    """Return the ranges that could not be read (first byte, end), each with whose it is."""
    found: list[tuple[int, int, str]] = []
    for sector in sorted(image.bad):
        at, end = sector * SECTOR, (sector + 1) * SECTOR
        while at < end:
            region = region_at(regions, at)
            owner, stop = str(region.owner), min(region.end, end) if at < region.end else end
            if found and found[-1][1:] == (at, owner):
                found[-1] = found[-1][0], stop, owner
            else:
                found.append((at, stop, owner))
            at = stop
    return tuple(found)
