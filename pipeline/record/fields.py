"""Which field of the FAT structures a byte belongs to.

Source: Microsoft FAT32 File System Specification 1.03 (2000), "Boot Sector and BPB", "FAT32 FSInfo Sector Structure",
"FAT Data Structure", "FAT Directory Structure" and "Long Directory Entries"; for the partition table Ralf Brown's
Interrupt List, "Format of hard disk master boot sector".
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence

from pipeline.fat.entries import SLOT
from pipeline.model.reading import Reading
from pipeline.record.regions import Region

Fields = tuple[tuple[int, str], ...]
"""(first byte, name) in order."""

BOOT: Fields = (
    (0, "jump"), (3, "system name"), (11, "bytes per sector"), (13, "sectors per cluster"), (14, "reserved sectors"),
    (16, "number of FATs"), (17, "root entries"), (19, "sectors (16 bits)"), (21, "media"),
    (22, "sectors per FAT (16 bits)"), (24, "sectors per track"), (26, "heads"), (28, "hidden sectors"),
    (32, "sectors (32 bits)"),
)  # fmt: skip
END: Fields = ((0, "drive number"), (1, "dirty bit"), (2, "boot signature"), (3, "serial"), (7, "label"),
               (18, "type as text"), (26, "boot code"))  # fmt: skip
FAT32: Fields = (
    (36, "sectors per FAT (32 bits)"), (40, "flags"), (42, "version"), (44, "root cluster"), (48, "FSInfo sector"),
    (50, "backup boot sector"), (52, "reserved"),
)  # fmt: skip
FS_INFO: Fields = ((0, "signature"), (4, "reserved"), (484, "signature"), (488, "free clusters"),
                   (492, "next free cluster"), (496, "reserved"), (508, "signature"))  # fmt: skip
TABLE: Fields = ((0, "boot code"), (440, "disk signature"), (446, "partition 1"), (462, "partition 2"),
                 (478, "partition 3"), (494, "partition 4"), (510, "signature"))  # fmt: skip
ENTRY: Fields = (
    (0, "name"), (11, "attributes"), (12, "case bits"), (13, "time created"), (16, "day created"),
    (18, "day accessed"), (20, "first cluster"), (22, "time written"), (24, "day written"), (26, "first cluster"),
    (28, "size"),
)  # fmt: skip
LONG: Fields = ((0, "order"), (1, "long name"), (11, "attributes"), (12, "type"), (13, "checksum"), (14, "long name"),
                (26, "first cluster"), (28, "long name"))  # fmt: skip


def boot_fields(fat_bits: int) -> Fields:
    """Return the fields of a boot sector."""
    start, middle = (64, FAT32) if fat_bits == 32 else (36, ())
    return (*BOOT, *middle, *((start + at, name) for at, name in END), (510, "signature"), (512, "after the sector"))


def field_at(fields: Fields, offset: int) -> str:
    """Return the name of the field that a byte belongs to."""
    return fields[bisect_right(fields, offset, key=lambda field: field[0]) - 1][1]


def region_at(regions: Sequence[Region], offset: int) -> Region:
    """Return the region a byte of the card lies in."""
    return regions[bisect_right(regions, offset, key=lambda region: region.start) - 1]


def fat_entry(fat_bits: int, offset: int) -> int:
    """Return the cluster that a byte of a FAT speaks of; of the two that share a byte in FAT12, the first."""
    return offset * 8 // fat_bits


class Naming:
    """Names bytes of one card. Made once, since it knows who has each cluster and each slot."""

    def __init__(self, reading: Reading) -> None:
        self._bits = reading.volume.fat_bits
        self._runs = sorted(
            [(first, count, item.path) for item in reading.items for first, count in item.extents]
            + [(first, count, "root directory") for first, count in reading.root_extents]
        )
        self._clusters = [first for first, _, _ in self._runs]
        self._last = reading.volume.clusters + 1
        self._items = sorted((item.offset - (item.slots - 1) * SLOT, item.offset, item.path) for item in reading.items)
        self._offsets = {item.path: item.offset for item in reading.items}
        self._shorts = {item.path: item.short for item in reading.items}
        self._slots = [start for start, _, _ in self._items]

    def owner_of(self, cluster: int) -> str:
        """Return the path of the file or folder that has a cluster, "" for none."""
        at = bisect_right(self._clusters, cluster) - 1
        if at >= 0 and cluster < self._runs[at][0] + self._runs[at][1]:
            return self._runs[at][2]
        return ""

    def item_at(self, offset: int) -> tuple[str, bool]:
        """Return whose slots a byte of a directory belongs to, and whether it is in one of its long name."""
        at = bisect_right(self._slots, offset) - 1
        if at >= 0 and offset < self._items[at][1] + SLOT:
            return self._items[at][2], offset < self._items[at][1]
        return "", False

    def offset_of(self, path: str) -> int:
        """Return where the entry of a file or folder lies."""
        return self._offsets[path]

    def short_of(self, path: str) -> str:
        """Return the 8.3 name of a file or folder."""
        return self._shorts[path]

    def name(self, region: Region, offset: int) -> str:
        """Return what a byte is, in words: "size of GOODS/MOTH.ROM", "entry of cluster 57 (GOODS/MOTH.ROM)"."""
        at = region.owns + offset - region.start
        match region.owner.kind:
            case "boot sector" | "backup boot sector":
                return field_at(boot_fields(self._bits), at)
            case "FSInfo" | "backup FSInfo":
                return field_at(FS_INFO, at)
            case "partition table":
                return field_at(TABLE, at)
            case "FAT":
                return self._entry(at)
            case "folder" | "root directory":
                return self._slot(offset, at)
        return f"byte {at:,}"

    def _entry(self, at: int) -> str:
        cluster = fat_entry(self._bits, at)
        if cluster < 2:
            return "media byte" if cluster == 0 else "dirty bit and end mark"
        if cluster > self._last:
            return "after the last entry"
        return f"entry of cluster {cluster:,} ({self.owner_of(cluster) or 'free'})"

    def _slot(self, offset: int, at: int) -> str:
        path, long = self.item_at(offset)
        name = field_at(LONG if long else ENTRY, at % SLOT)
        return f"{name} of {path}" if path else f"slot {at // SLOT + 1}, {name}"
