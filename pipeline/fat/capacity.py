"""What formatters choose for an SD card of a capacity: alignment, cluster size, CHS geometry, partition type.

Source: Microsoft's specification leaves these to the formatter. The figures are common practice, as the public SdFat
library (FatFormatter.cpp) and dosfstools (mkfs.fat.c) have them; both name the SD Association's file system
specification as theirs.
"""

from __future__ import annotations

MIB = 2048
"""Sectors in a mebibyte."""

BOUNDARY_UNITS = ((8, 16), (64, 32), (256, 64), (2048, 128))
CLUSTER_SIZES = ((16, 2), (32, 4), (64, 8), (128, 16), (1024, 32))
HEADS = ((16, 2), (32, 4), (128, 8), (504, 16), (1008, 32), (2016, 64), (4032, 128))
"""Each table: capacity in MiB up to which a row holds, and its value; above the last row see the function."""


def boundary_unit(fat_bits: int, card_sectors: int) -> int:
    """Return the sectors to whose multiple, counted from the card's first, the data area is aligned.

    FAT12 and FAT16: 16 to 128 by capacity. FAT32: 4 MiB, the allocation unit of cards to 32 GiB (SD Physical Layer
    Simplified Specification 4.10, table 4-56), and 16 MiB above.
    """
    if fat_bits == 32:
        return 8192 if card_sectors <= 32768 * MIB else 32768
    return _look_up(BOUNDARY_UNITS, card_sectors, 128)


def usual_cluster(card_sectors: int) -> int:
    """Return the sectors of a cluster that are usual for the capacity; never above 64 (32 KiB), Microsoft's limit."""
    return _look_up(CLUSTER_SIZES, card_sectors, 64)


def disk_geometry(card_sectors: int) -> tuple[int, int]:
    """Return ``(heads, sectors per track)``, neither ever zero, for the partition table and the boot sector."""
    tracks = 16 if card_sectors <= 2 * MIB else 32 if card_sectors <= 256 * MIB else 63
    return _look_up(HEADS, card_sectors, 255), tracks


def partition_type(fat_bits: int, start: int, sectors: int) -> int:
    """Return the type byte of the partition table: by size, as SD cards have it.

    FAT12: 01 below 32,680 sectors, 04 below 65,536, else 06. FAT16: 04 below 65,536 sectors, else 06.
    FAT32: 0B while the end stays below 16,450,560 sectors (1024 cylinders of 255 x 63), else 0C.
    """
    if fat_bits == 32:
        return 0x0B if start + sectors < 1024 * 255 * 63 else 0x0C
    if fat_bits == 12 and sectors < 32_680:
        return 0x01
    return 0x04 if sectors < 65_536 else 0x06


def chs(sector: int, heads: int, sectors_per_track: int) -> bytes:
    """Return the three CHS bytes of a sector number: head; cylinder bits 9-8 and sector from 1; cylinder bits 7-0.

    Beyond cylinder 1023 it is FE FF FF.
    """
    track, within = divmod(sector, sectors_per_track)
    cylinder, head = divmod(track, heads)
    if cylinder > 1023:
        return b"\xfe\xff\xff"
    return bytes((head, cylinder >> 2 & 0xC0 | within + 1, cylinder & 0xFF))


def _look_up(table: tuple[tuple[int, int], ...], card_sectors: int, above: int) -> int:
    return next((value for mebibytes, value in table if card_sectors <= mebibytes * MIB), above)
