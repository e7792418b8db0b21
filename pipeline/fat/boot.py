"""The sectors before the first FAT: partition table, boot sector, FSInfo and their backups.

Sources: Microsoft FAT32 File System Specification 1.03 (2000), "Boot Sector and BPB" and "FAT32 FSInfo Sector
Structure"; for the partition table Ralf Brown's Interrupt List, "Format of hard disk master boot sector".
"""

from __future__ import annotations

import struct

from pipeline.fat.capacity import chs
from pipeline.fat.entries import raw_label
from pipeline.model.plan import SECTOR, Volume

COMMON = struct.Struct("<3s8sHBHBHHBHHHII")
"""Jump, OEM name, bytes per sector, sectors per cluster, reserved sectors, FATs, root entries, sectors (16 bits),
media, sectors per FAT (16 bits), sectors per track, heads, hidden sectors, sectors (32 bits)."""

ONLY_FAT32 = struct.Struct("<IHHIHH12x")
"""Sectors a FAT, flags, version, root cluster, FSInfo sector, backup boot sector, 12 reserved bytes."""

EXTENDED = struct.Struct("<BBBI11s8s")
"""Drive number, reserved, signature 29, serial, label, FAT type as text."""

PARTITION = struct.Struct("<B3sB3sII")
"""Status, CHS of the first sector, type, CHS of the last, first sector, sectors."""

MEDIA = 0xF8
"""Fixed disk; the low byte of the first FAT entry too."""

DRIVE = 0x80
SIGNATURE = b"\x55\xaa"

TABLE = 446
"""Offset of the partition table's four entries in the card's first sector."""

FS_INFO_SECTOR = 1
BACKUP_SECTOR = 6


def serial_text(serial: int) -> str:
    """Return a volume serial as systems show it: "1234-ABCD"."""
    return f"{serial >> 16:04X}-{serial & 0xFFFF:04X}"


def boot_sector(volume: Volume, label: str, serial: int) -> bytes:
    """Return the 512 bytes of the volume's first sector; ``label`` "" is written as NO NAME."""
    wide = volume.fat_bits == 32
    small = not wide and volume.sectors < 65536
    common = COMMON.pack(
        b"\xeb\x58\x90" if wide else b"\xeb\x3c\x90",
        b"MSWIN4.1",
        SECTOR,
        volume.sectors_per_cluster,
        volume.reserved,
        2,
        volume.root_entries,
        volume.sectors if small else 0,
        MEDIA,
        0 if wide else volume.fat_sectors,
        volume.sectors_per_track,
        volume.heads,
        volume.start,
        0 if small else volume.sectors,
    )
    if wide:
        common += ONLY_FAT32.pack(volume.fat_sectors, 0, 0, 2, FS_INFO_SECTOR, BACKUP_SECTOR)
    kind = b"FAT%d" % volume.fat_bits
    return _signed(common + EXTENDED.pack(DRIVE, 0, 0x29, serial, raw_label(label), kind.ljust(8)))


def fs_info(volume: Volume, used_clusters: int) -> bytes:
    """Return the FSInfo sector: free clusters, and the last allocated one, of clusters used from 2 without a gap."""
    free = volume.clusters - used_clusters
    counts = struct.pack("<III", 0x61417272, free, used_clusters + 1)
    return _signed(b"RRaA".ljust(484, b"\0") + counts)


def reserved_area(volume: Volume, label: str, serial: int, used_clusters: int) -> bytes:
    """Return what the reserved sectors begin with; the rest of them is zero.

    FAT12 and FAT16: the boot sector. FAT32: nine sectors, of which 0-2 (boot sector, FSInfo, a signed empty one) are
    repeated as 6-8.
    """
    boot = boot_sector(volume, label, serial)
    if volume.fat_bits != 32:
        return boot
    first = boot + fs_info(volume, used_clusters) + _signed(b"")
    return first.ljust(BACKUP_SECTOR * SECTOR, b"\0") + first


def partition_table(volume: Volume) -> bytes:
    """Return the card's first sector, with one partition in the first of four entries; nothing if unpartitioned.

    The disk signature and the boot code are zero.
    """
    if not volume.start:
        return b""
    heads, tracks = volume.heads, volume.sectors_per_track
    first = chs(volume.start, heads, tracks)
    last = chs(volume.start + volume.sectors - 1, heads, tracks)
    entry = PARTITION.pack(0, first, volume.partition_type, last, volume.start, volume.sectors)
    return _signed(entry.rjust(TABLE + PARTITION.size, b"\0"))


def _signed(start: bytes) -> bytes:
    """Return a whole sector that ends in 55 AA."""
    return start.ljust(SECTOR - 2, b"\0") + SIGNATURE
