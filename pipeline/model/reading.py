"""What was read from a FAT volume that anybody may have made: its tree, and everything that is wrong with it."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.model.plan import Volume


@dataclass(frozen=True, order=True, slots=True, kw_only=True)
class Item:
    """A file or folder as it lies on a volume.

    ``path``: parts separated by "/", long names where they are good. ``short``: the 8.3 name as shown.
    ``extents``: (first cluster, number of clusters) in the order of the chain. ``size``: bytes, 0 for a folder.
    ``offset``: where its 32-byte entry lies in the image. ``attributes``: the entry's attribute byte.
    ``times``: created (date, time, hundredths), accessed (date), modified (date, time), as the raw words.
    """

    path: str
    short: str
    is_folder: bool
    size: int
    extents: tuple[tuple[int, int], ...]
    offset: int
    attributes: int
    times: tuple[int, int, int, int, int, int]


@dataclass(frozen=True, order=True, slots=True, kw_only=True)
class Finding:
    """One thing wrong with a volume: its ``kind`` in a word or two, where (byte offset, path or ""), and what."""

    kind: str
    offset: int
    path: str
    what: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """A whole volume as read. ``items``: in directory order, a folder before what it holds.

    ``partitions``: (type, first sector, sectors) of each entry of a partition table, empty without one.
    ``label``: of the root directory, "" for none. ``boot_label``: of the boot sector. ``dirty``: the clean-shutdown
    bit says that it was not unmounted. ``free_clusters``: counted in the FAT. ``findings``: sorted by offset.
    """

    volume: Volume
    partitions: tuple[tuple[int, int, int], ...]
    label: str
    boot_label: str
    serial: int
    dirty: bool
    free_clusters: int
    items: tuple[Item, ...]
    findings: tuple[Finding, ...]
