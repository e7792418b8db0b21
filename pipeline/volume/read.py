"""A whole volume read and checked: ``read_volume`` is all that others need."""

from __future__ import annotations

import struct
from bisect import bisect_left
from collections.abc import Iterable, Mapping

from pipeline.model.plan import SECTOR, Volume
from pipeline.model.reading import Item, Reading
from pipeline.model.text import counted
from pipeline.volume.boot import Boot, check_boot
from pipeline.volume.directory import label_is_bad, shown_label
from pipeline.volume.partitions import find_volume
from pipeline.volume.source import Findings, NotFatError, PaddedReader, Read
from pipeline.volume.table import Table, read_table
from pipeline.volume.walk import Walk

__all__ = ["NotFatError", "read_volume"]

BLOCK = 1 << 16
"""Clusters compared at a time."""


def read_volume(read: Read, size: int) -> Reading:
    """Return everything there is on the first FAT volume of a card, and everything wrong with it.

    ``read(offset, length)`` gives bytes, fewer at the end; ``size``: bytes of the card. Only what describes files is
    read, never their contents. Time and memory are bounded whatever the bytes are: at most 2**25 clusters, 100,000
    files and folders, 65,536 slots a directory; where a limit is met, a finding says so.
    Raises NotFatError where there is no FAT volume at all; what ``read`` raises passes through.
    """
    source, findings = PaddedReader(read, size), Findings()
    partitions, start, boot = find_volume(source, findings)
    at = start * SECTOR
    check_boot(boot, at, findings)
    if at + boot.sectors * SECTOR > size:
        what = f"the volume ends at byte {at + boot.sectors * SECTOR:,}, the card or image at {size:,}"
        findings.add("truncated", what, offset=size)
    table = read_table(source, at + boot.reserved * SECTOR, boot, findings)
    walk = Walk(source, boot, at, table, findings)
    walk.run()
    free = table.free()
    _check_owners(walk, findings)
    _check_lost(table, findings)
    _check_labels(walk, boot, at, findings)
    if boot.fat_bits == 32:
        _check_fs_info(source, boot, at, free, findings)
        _check_backup(source, boot, at, findings)
    found = findings.sorted()
    return Reading(
        volume=_volume(boot, partitions, start, size),
        partitions=partitions,
        label=_label(walk.labels[0] if walk.labels else None),
        boot_label=_label(boot.label),
        serial=boot.serial,
        dirty=any(finding.kind == "dirty" for finding in found),
        free_clusters=free,
        items=tuple(walk.items),
        findings=found,
        sector_bytes=boot.sector_bytes,
        fats=boot.fats,
        root_extents=walk.root.runs,
        bad_clusters=table.values.count(table.bad),
        label_offset=walk.label_offset,
        data_offset=at + boot.data_sector * SECTOR,
    )


def _volume(boot: Boot, partitions: Iterable[tuple[int, int, int]], start: int, size: int) -> Volume:
    return Volume(
        fat_bits=boot.fat_bits,
        card_sectors=size // SECTOR,
        start=start,
        sectors=boot.sectors,
        sectors_per_cluster=boot.cluster_sectors,
        reserved=boot.reserved,
        fat_sectors=boot.fat_sectors,
        root_entries=boot.root_entries,
        clusters=boot.clusters,
        heads=boot.heads,
        sectors_per_track=boot.tracks,
        partition_type=next((kind for kind, first, _ in partitions if first == start), 0),
    )


def _check_owners(walk: Walk, findings: Findings) -> None:
    """Find clusters that two files have, naming both."""
    owners = _owners({cluster for cluster, _ in walk.shared}, walk.items)
    for cluster, item in walk.shared:
        other_owners = [path for path in owners.get(cluster, ()) if path != item.path]
        owner = (
            f'"{other_owners[0]}"'
            if other_owners
            else "the root directory"
            if not owners.get(cluster)
            else "another entry"
        )
        what = f"cluster {cluster:,} belongs to {owner} too"
        findings.add("cross-linked", what, offset=item.offset, path=item.path)


def _owners(clusters: set[int], items: Iterable[Item]) -> Mapping[int, list[str]]:
    """Return the first few paths that have each of the clusters."""
    owners: dict[int, list[str]] = {}
    wanted = sorted(clusters)
    for item in items:
        for first, count in item.extents:
            for cluster in wanted[bisect_left(wanted, first) : bisect_left(wanted, first + count)]:
                if len(owners.get(cluster, ())) < 2:
                    owners.setdefault(cluster, []).append(item.path)
    return owners


def _check_lost(table: Table, findings: Findings) -> None:
    """Find clusters that are marked used, and no file has them."""
    lost, first = 0, 0
    values, used, bad = table.values, table.used, table.bad
    for start in range(2, table.limit, BLOCK):
        end = min(start + BLOCK, table.limit)
        part = values[start:end]
        allocated = end - start - part.count(0) - part.count(bad)
        if allocated != used.count(1, start, end):
            here = [at for at in range(start, end) if values[at] and values[at] != bad and not used[at]]
            first = first or (here[0] if here else 0)
            lost += len(here)
    if lost:
        are = "cluster is" if lost == 1 else "clusters are"
        what = f"{lost:,} {are} marked as used, but not part of a file or folder; the first is {first:,}"
        findings.add("lost clusters", what)


def _label(raw: bytes | None) -> str:
    """Return a label as it is shown, "" for none; NO NAME stands for none."""
    shown = shown_label(raw) if raw else ""
    return "" if shown == "NO NAME" else shown


def _check_labels(walk: Walk, boot: Boot, at: int, findings: Findings) -> None:
    """Find labels no label may be, and labels that differ: systems show the one or the other."""
    in_root, in_boot = walk.labels[0] if walk.labels else None, boot.label
    where = at + (71 if boot.fat_bits == 32 else 43)
    for raw, offset, owner in ((in_root, walk.label_offset, "root directory"), (in_boot, where, "boot sector")):
        if raw and label_is_bad(raw):
            what = "begins with a blank or holds characters that are not allowed"
            what = f'"{shown_label(raw)}" in the {owner} {what}'
            findings.add("label", what, offset=offset)
    if in_boot is not None and _label(in_root) != _label(in_boot):
        names = _label(in_root) or "NO NAME", _label(in_boot) or "NO NAME"
        what = f'it is "{names[0]}" in the root directory, "{names[1]}" in the boot sector'
        findings.add("label", what, offset=where)


def _check_fs_info(source: PaddedReader, boot: Boot, at: int, free: int, findings: Findings) -> None:
    """Find what is wrong with FSInfo.

    Source: Microsoft FAT32 File System Specification 1.03 (2000), "FAT32 FSInfo Sector Structure".
    """
    if boot.fs_info in (0, 0xFFFF):
        findings.add("FSInfo", "there is no FSInfo sector", offset=at + 48)
        return
    where = at + boot.fs_info * boot.sector_bytes
    raw = source.read(where, SECTOR)
    if (raw[:4], raw[484:488], raw[508:]) != (b"RRaA", b"rrAa", b"\0\0\x55\xaa"):
        findings.add("FSInfo", "its signatures are wrong", offset=where)
        return
    stated, _ = struct.unpack_from("<II", raw, 488)
    if stated != free:
        shown = "unknown" if stated == 0xFFFFFFFF else f"{stated:,}"
        findings.add("free count", f"FSInfo has {shown}, the FAT {free:,}", offset=where + 488)


def _check_backup(source: PaddedReader, boot: Boot, at: int, findings: Findings) -> None:
    """Find where FAT32's second boot sector differs from the first; the first alone may be "not unmounted"."""
    if boot.backup in (0, 0xFFFF):
        findings.add("backup boot sector", "there is none", offset=at + 50)
        return
    where = at + boot.backup * boot.sector_bytes
    first, copy = (bytearray(source.read(start, SECTOR)) for start in (at, where))
    if first[65] == copy[65] | 1:
        first[65] = copy[65]
    differing = [number for number in range(SECTOR) if first[number] != copy[number]]
    if differing:
        count = counted(len(differing), "byte")
        what = f"it differs from the boot sector in {count}, the first at offset {differing[0]}"
        findings.add("backup boot sector", what, offset=where + differing[0])
