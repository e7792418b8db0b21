"""What was read from a FAT volume that anybody may have made: its tree, and everything that is wrong with it."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.model.plan import SECTOR, Volume


@dataclass(frozen=True, order=True, slots=True, kw_only=True)
class Item:
    """A file or folder as it lies on a volume.

    ``path``: parts separated by "/", long names where they are good. ``short``: the 8.3 name as shown.
    ``extents``: (first cluster, number of clusters) in the order of the chain. ``size``: bytes, 0 for a folder.
    ``offset``: where its 32-byte entry lies in the image. ``attributes``: the entry's attribute byte.
    ``times``: created (date, time, hundredths), accessed (date), modified (date, time), as the raw words.
    ``slots``: of 32 bytes it takes, those of its long name directly before its entry.
    """

    path: str
    short: str
    is_folder: bool
    size: int
    extents: tuple[tuple[int, int], ...]
    offset: int
    attributes: int
    times: tuple[int, int, int, int, int, int]
    slots: int = 1


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
    ``sector_bytes``: of the volume's own sectors; ``volume`` counts in 512 bytes all the same. ``fats``: how many
    copies. ``root_extents``: of the root directory on FAT32. ``bad_clusters``: marked bad in the FAT.
    ``data_offset``: of cluster 2 in the image, in bytes; ``volume.data_start`` supposes two FATs. ``label_offset``: of
    the label's entry, 0 without one.
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
    sector_bytes: int = SECTOR
    fats: int = 2
    root_extents: tuple[tuple[int, int], ...] = ()
    bad_clusters: int = 0
    data_offset: int = 0
    label_offset: int = 0

    def cluster_offset(self, cluster: int) -> int:
        """Return the byte offset in the image at which a cluster (2 or higher) begins."""
        return self.data_offset + (cluster - 2) * self.volume.cluster_bytes

    def ranges(self, item: Item) -> tuple[tuple[int, int], ...]:
        """Return (byte offset in the image, bytes) of a file's content or a folder's clusters, in their order.

        They add up to less than the size where the chain is too short.
        """
        whole = sum(count for _, count in item.extents) * self.volume.cluster_bytes
        return self.extents_ranges(item.extents, whole if item.is_folder else item.size)

    def extents_ranges(self, extents: tuple[tuple[int, int], ...], size: int) -> tuple[tuple[int, int], ...]:
        """Return the same for extents and a size in bytes."""
        found = []
        for first, count in extents:
            length = min(size, count * self.volume.cluster_bytes)
            if length:
                found.append((self.cluster_offset(first), length))
            size -= length
        return tuple(found)
