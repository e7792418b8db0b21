"""Every byte of the FAT structures has the name that the specification gives its field.

Sources: Microsoft FAT32 File System Specification 1.03 (2000), "Boot Sector and BPB", "FAT32 FSInfo Sector Structure",
"FAT Directory Structure" and "Long Directory Entries", offset and size columns; for the partition table Ralf Brown's
Interrupt List, "Format of hard disk master boot sector". All from memory.
"""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from pipeline.record.fields import ENTRY, FS_INFO, LONG, TABLE, Fields, boot_fields, fat_entry, field_at

Sizes = Sequence[tuple[str, int]]
"""Each field with its bytes, in order and without a gap."""

COMMON: Sizes = [
    ("jump", 3), ("system name", 8), ("bytes per sector", 2), ("sectors per cluster", 1), ("reserved sectors", 2),
    ("number of FATs", 1), ("root entries", 2), ("sectors (16 bits)", 2), ("media", 1),
    ("sectors per FAT (16 bits)", 2), ("sectors per track", 2), ("heads", 2), ("hidden sectors", 4),
    ("sectors (32 bits)", 4),
]  # fmt: skip
WIDE: Sizes = [
    ("sectors per FAT (32 bits)", 4), ("flags", 2), ("version", 2), ("root cluster", 4), ("FSInfo sector", 2),
    ("backup boot sector", 2), ("reserved", 12),
]  # fmt: skip
LAST: Sizes = [
    ("drive number", 1), ("dirty bit", 1), ("boot signature", 1), ("serial", 4), ("label", 11), ("type as text", 8),
]  # fmt: skip
SECTORS: Sequence[tuple[str, Fields, Sizes]] = [
    ("FAT12", boot_fields(12), [*COMMON, *LAST, ("boot code", 448), ("signature", 2)]),
    ("FAT16", boot_fields(16), [*COMMON, *LAST, ("boot code", 448), ("signature", 2)]),
    ("FAT32", boot_fields(32), [*COMMON, *WIDE, *LAST, ("boot code", 420), ("signature", 2)]),
    (
        "FSInfo", FS_INFO,
        [("signature", 4), ("reserved", 480), ("signature", 4), ("free clusters", 4), ("next free cluster", 4),
         ("reserved", 12), ("signature", 4)],
    ),
    (
        "partition table", TABLE,
        [("boot code", 440), ("disk signature", 6), ("partition 1", 16), ("partition 2", 16), ("partition 3", 16),
         ("partition 4", 16), ("signature", 2)],
    ),
]  # fmt: skip
SLOTS: Sequence[tuple[str, Fields, Sizes]] = [
    (
        "entry", ENTRY,
        [("name", 11), ("attributes", 1), ("case bits", 1), ("time created", 3), ("day created", 2),
         ("day accessed", 2), ("first cluster", 2), ("time written", 2), ("day written", 2), ("first cluster", 2),
         ("size", 4)],
    ),
    (
        "long name", LONG,
        [("order", 1), ("long name", 10), ("attributes", 1), ("type", 1), ("checksum", 1), ("long name", 12),
         ("first cluster", 2), ("long name", 4)],
    ),
]  # fmt: skip


def check(fields: Fields, sizes: Sizes, whole: int) -> None:
    named = [name for name, size in sizes for _ in range(size)]
    assert len(named) == whole
    assert [field_at(fields, at) for at in range(whole)] == named


@pytest.mark.parametrize(("fields", "sizes"), [row[1:] for row in SECTORS], ids=[row[0] for row in SECTORS])
def test_every_byte_of_a_sector_has_its_fields_name(fields: Fields, sizes: Sizes) -> None:
    check(fields, sizes, 512)


@pytest.mark.parametrize(("fields", "sizes"), [row[1:] for row in SLOTS], ids=[row[0] for row in SLOTS])
def test_every_byte_of_a_directory_slot_has_its_fields_name(fields: Fields, sizes: Sizes) -> None:
    check(fields, sizes, 32)


@pytest.mark.parametrize("bits", [12, 16, 32])
def test_what_follows_the_signature_is_behind_the_sector(bits: int) -> None:
    """Sectors may be larger than 512 bytes; the signature stays at 510 (the specification's note on it)."""
    assert [field_at(boot_fields(bits), at) for at in (511, 512, 4095)] == ["signature", *["after the sector"] * 2]


@pytest.mark.parametrize(
    ("bits", "clusters"), [(12, [0, 0, 1, 2, 2, 3, 4, 4, 5]), (16, [0, 0, 1, 1, 2, 2]), (32, [0, 0, 0, 0, 1, 1, 1, 1])]
)
def test_a_byte_of_a_fat_speaks_of_a_cluster(bits: int, clusters: list[int]) -> None:
    """Two entries of FAT12 share three bytes ("FAT Data Structure"); the byte in the middle counts as the first's."""
    assert [fat_entry(bits, at) for at in range(len(clusters))] == clusters
