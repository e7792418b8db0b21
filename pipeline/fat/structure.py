"""Everything a plan has outside of files: partition table, boot sectors, FATs, directories; each with its place."""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.fat.boot import partition_table, reserved_area
from pipeline.fat.directory import directory_bytes, tree_of
from pipeline.fat.table import cluster_runs, table_chunks
from pipeline.model.plan import SECTOR, Plan

Piece = tuple[int, bytes]
"""Offset in the image, and bytes."""


def system_area(plan: Plan) -> Iterator[Piece]:
    """Yield what lies before the first directory, ascending: partition table, boot sector and followers, both FATs.

    The FATs come in chunks; where nothing is yielded there are zeros.
    """
    volume = plan.volume
    runs = cluster_runs(plan)
    used = sum(count for _, count in runs)
    if volume.start:
        yield 0, partition_table(volume)
    yield volume.start * SECTOR, reserved_area(volume, plan.label, plan.serial, used)
    for copy in range(2):
        offset = (volume.fat_start + copy * volume.fat_sectors) * SECTOR
        for chunk in table_chunks(volume, runs):
            yield offset, chunk
            offset += len(chunk)


def structure(plan: Plan) -> Iterator[Piece]:
    """Yield the same, then the root directory and every folder in the plan's order; zeros fill their clusters."""
    yield from system_area(plan)
    tree = tree_of(plan)
    yield plan.volume.root_start * SECTOR, directory_bytes(plan, "", tree)
    for entry in plan.entries:
        if entry.is_folder:
            yield plan.volume.cluster_offset(entry.cluster), directory_bytes(plan, entry.path, tree)
