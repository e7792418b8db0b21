"""Which bytes of an image a plan uses, the rest being free space that nobody reads, and whose card a medium is."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from pipeline.model.plan import SECTOR, Plan
from pipeline.model.spans import joined

Range = tuple[int, int]
"""Start and end in bytes, the end not included."""

BLOCK = 4096
"""Bytes that are written or left as a whole: a page, below which no system writes."""

Read = Callable[[int, int], bytes]
"""Gives the bytes at an offset: so many, or fewer at the end."""


def used_ranges(plan: Plan, block: int = SECTOR) -> tuple[Range, ...]:
    """Return the ranges a plan uses, ascending, grown to whole blocks and joined.

    That is all before the first cluster, the root directory, and every folder and file.
    """
    volume = plan.volume
    size = volume.card_sectors * SECTOR
    runs = [(2, plan.root_clusters)] if plan.root_clusters else []
    runs += [(entry.cluster, entry.clusters) for entry in plan.entries if entry.clusters]
    ranges = [(0, volume.data_start * SECTOR)]
    ranges += [(volume.cluster_offset(first), volume.cluster_offset(first + count)) for first, count in runs]
    return tuple(joined((start // block * block, min(-(-end // block) * block, size)) for start, end in ranges))


def same_card(plan: Plan, boot: bytes) -> bool:
    """Whether a boot sector is that of a build of the same card: it has the same volume serial.

    Source: FAT32 File System Specification 1.03, BS_VolID: offset 39, on FAT32 67.
    """
    at = 67 if plan.volume.fat_bits == 32 else 39
    return boot[510:512] == b"\x55\xaa" and int.from_bytes(boot[at : at + 4], "little") == plan.serial


def pieces(ranges: tuple[Range, ...], most: int) -> Iterator[Range]:
    """Yield the ranges in pieces of at most ``most`` bytes."""
    for start, end in ranges:
        for at in range(start, end, most):
            yield at, min(at + most, end)
