"""Whose each byte of a card is: the whole image as ranges that follow one another, each with its owner."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from pipeline.model.plan import SECTOR
from pipeline.model.reading import Item, Reading
from pipeline.model.spans import joined


@dataclass(frozen=True, order=True, slots=True)
class Owner:
    """Who has a byte.

    ``kind``: "file", "slack" (after the end of a file, in its last cluster), "folder", "root directory", "FAT",
    "boot sector", "FSInfo", "backup boot sector", "backup FSInfo", "reserved sectors", "partition table", "before the
    volume", "free space" or "after the volume". ``path``: of a file or folder. ``number``: of a FAT, from 1.
    """

    kind: str
    path: str = ""
    number: int = 0

    def __str__(self) -> str:
        if self.kind == "slack":
            return f"after the end of {self.path}"
        return self.path or f"{self.kind}{f' {self.number}' if self.number else ''}"


@dataclass(frozen=True, slots=True)
class Region:
    """Bytes from ``start`` up to but not including ``end``; ``owns``: where in its owner the first of them is."""

    start: int
    end: int
    owner: Owner
    owns: int = 0


FREE = Owner("free space")


def regions_of(reading: Reading, size: int) -> tuple[Region, ...]:
    """Return the regions of a card of a size in bytes, from 0 to its end without gap or overlap.

    Where a damaged volume gives bytes to two owners, the one that begins first has them.
    """
    done, found = 0, []
    end_of_volume = (reading.volume.start + reading.volume.sectors) * SECTOR
    wanted = sorted([*_system(reading), *_contents(reading)], key=lambda region: region.start)
    for region in [*wanted, Region(size, size, FREE)]:
        start, end = max(region.start, done), min(region.end, size)
        if start > done:
            cut = min(max(end_of_volume, done), start)
            found += [Region(done, cut, FREE)] if cut > done else []
            found += [Region(cut, start, Owner("after the volume"), cut - end_of_volume)] if start > cut else []
            done = start
        if end > start:
            found.append(Region(start, end, region.owner, region.owns + start - region.start))
            done = end
    return tuple(found)


def _system(reading: Reading) -> Iterator[Region]:
    """Yield what lies before the data area."""
    volume = reading.volume
    start = volume.start * SECTOR
    if start:
        yield Region(0, SECTOR, Owner("partition table"))
        yield Region(SECTOR, start, Owner("before the volume"))
    fat = start + volume.reserved * SECTOR
    special = {0: "boot sector"} | (
        {1: "FSInfo", 6: "backup boot sector", 7: "backup FSInfo"} if volume.fat_bits == 32 else {}
    )
    done = start
    for number, kind in special.items():
        at = start + number * reading.sector_bytes
        if at > done:
            yield Region(done, at, Owner("reserved sectors"), done - start)
        done = at + reading.sector_bytes
        yield Region(at, done, Owner(kind))
    yield Region(done, fat, Owner("reserved sectors"), done - start)
    fat_size = volume.fat_sectors * SECTOR
    for number in range(reading.fats):
        yield Region(fat + number * fat_size, fat + (number + 1) * fat_size, Owner("FAT", number=number + 1))
    root = fat + reading.fats * fat_size
    yield Region(root, reading.data_offset, Owner("root directory"))


def _contents(reading: Reading) -> Iterator[Region]:
    """Yield what lies in the data area."""
    root = Item(
        path="", short="", is_folder=True, size=0, extents=reading.root_extents, offset=0, attributes=0,
        times=(0, 0, 0, 0, 0, 0),
    )  # fmt: skip
    yield from _pieces(reading, root, Owner("root directory"))
    for item in reading.items:
        yield from _pieces(reading, item, Owner("folder" if item.is_folder else "file", item.path))


def _pieces(reading: Reading, item: Item, owner: Owner) -> Iterator[Region]:
    done, cluster = 0, reading.volume.cluster_bytes
    for first, count in item.extents:
        start, length = reading.cluster_offset(first), count * cluster
        used = length if item.is_folder else max(0, min(length, item.size - done))
        yield Region(start, start + used, owner, done)
        if used < length:
            yield Region(start + used, start + length, Owner("slack", item.path), done + used - item.size)
        done += length


def used_ranges(regions: Sequence[Region]) -> list[tuple[int, int]]:
    """Return (start, end) of all that belongs to something, ascending and joined."""
    return joined(
        (region.start, region.end) for region in regions if region.owner.kind not in ("free space", "after the volume")
    )
