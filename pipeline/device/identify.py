"""Which known card a medium holds, told from its file system's own structures; no file is read."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from pipeline.fat.boot import partition_table, reserved_area
from pipeline.fat.directory import directory_bytes, tree_of
from pipeline.fat.table import cluster_runs, table_chunks
from pipeline.model.plan import SECTOR, Plan

Read = Callable[[int, int], bytes]
"""Gives the bytes at an offset."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """A card that was built or published here. ``current``: whether it is what the build folder holds now."""

    card: str
    version: str
    plan: Plan
    current: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """What a medium seems to be: ``kind`` is "current", "older", "touched", "foreign", "no FAT volume" or "empty".

    ``card`` and ``version`` of the known card it is, "" otherwise. "touched": the serial is a known card's, but its
    directories or tables are not.
    """

    kind: str
    card: str = ""
    version: str = ""


def identify(known: Iterable[Known], read: Read) -> Identity:
    """Return which of the known cards a medium holds; raises OSError when it cannot be read."""
    touched: Known | None = None
    for one in known:
        if not _same_serial(one.plan, read):
            continue
        if all(read(offset, len(data)) == data for offset, data in structure(one.plan)):
            return Identity(kind="current" if one.current else "older", card=one.card, version=one.version)
        touched = touched or one
    if touched:
        return Identity(kind="touched", card=touched.card)
    return Identity(kind=_foreign(read))


def structure(plan: Plan) -> Iterator[tuple[int, bytes]]:
    """Yield offset and bytes of all that a plan writes outside of files: tables, boot sectors, directories."""
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
    tree = tree_of(plan)
    yield volume.root_start * SECTOR, directory_bytes(plan, "", tree)
    for entry in plan.entries:
        if entry.is_folder:
            yield volume.cluster_offset(entry.cluster), directory_bytes(plan, entry.path, tree)


def _same_serial(plan: Plan, read: Read) -> bool:
    at = plan.volume.start * SECTOR + (67 if plan.volume.fat_bits == 32 else 39)
    return int.from_bytes(read(at, 4), "little") == plan.serial


def _foreign(read: Read) -> str:
    """Return what a medium without a known card is.

    Source: FAT32 File System Specification 1.03: the signature 55 AA ends the boot sector, which begins with a jump.
    """
    first = read(0, SECTOR)
    start = int.from_bytes(first[454:458], "little") if first[510:] == b"\x55\xaa" else 0
    for offset in {0, start}:
        boot = read(offset * SECTOR, SECTOR)
        if boot[510:] == b"\x55\xaa" and boot[:1] in (b"\xeb", b"\xe9") and boot[11:13] == b"\x00\x02":
            return "foreign"
    return "no FAT volume" if any(first) else "empty"
