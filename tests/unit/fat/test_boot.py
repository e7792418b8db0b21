from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from pipeline.fat.boot import boot_sector, fs_info, partition_table, reserved_area
from pipeline.fat.geometry import fit_volume
from pipeline.fat.table import table_chunks
from pipeline.model.plan import SECTOR, Volume
from tests.strangers import with_fsck
from tests.strangers.tools import require

MIB = 2**20
SERIAL = 0x1234ABCD

CARDS = [
    # FAT type, bytes, partitioned
    (12, 1_474_560, False),
    (12, 1_474_560, True),
    (12, 2_770 * SECTOR, False),
    (12, 8_233 * SECTOR, False),
    (12, 715 * SECTOR, False),
    (12, 64_000_000, True),
    (12, 128 * MIB, True),
    (16, 4 * MIB, False),
    (16, 33_554_432, True),
    (16, 256_000_000, True),
    (16, 2_000_000_000, True),
    (16, 2048 * MIB, False),
    (32, 42 * MIB, True),
    (32, 512 * MIB, False),
    (32, 3_965_190_144, True),
    (32, 32_000_000_000, True),
    (32, 128_000_000_000, True),
]


@pytest.mark.parametrize(("fat_bits", "card_bytes", "partitioned"), CARDS)
@pytest.mark.parametrize("label", ["CLUBNIGHT", ""])
def test_the_boot_sector_is_the_one_mkfs_fat_makes(
    fat_bits: int, card_bytes: int, partitioned: bool, label: str, tmp_path: Path
) -> None:
    """Every field from byte 11 on; before it stand the jump and the name of who formatted, after it boot code."""
    volume = fit_volume(card_bytes, fat_bits, partitioned=partitioned)
    theirs = formatted(volume, label, tmp_path)

    ours = boot_sector(volume, label, SERIAL)

    end = 90 if fat_bits == 32 else 62
    assert ours[11:end] == theirs[11:end]
    assert ours[:3] == theirs[:3]
    assert len(ours) == SECTOR
    assert ours[510:] == b"\x55\xaa"


def formatted(volume: Volume, label: str, tmp_path: Path) -> bytes:
    """Return the first sectors of a volume that mkfs.fat made to the same geometry."""
    image = tmp_path / "theirs.img"
    with image.open("wb") as file:
        file.truncate(volume.sectors * SECTOR)
    options = [
        "-a",  # no alignment of its own
        f"-F{volume.fat_bits}",
        f"-R{volume.reserved}",
        f"-s{volume.sectors_per_cluster}",
        f"-g{volume.heads}/{volume.sectors_per_track}",
        f"-h{volume.start}",
        "-r512",
        "-D0x80",
        "-M0xF8",
        f"-i{SERIAL:08X}",
        *(["-n", label] if label else []),
    ]
    subprocess.run([require("mkfs.fat"), *options, str(image)], check=True, capture_output=True)
    with image.open("rb") as file:
        return file.read(9 * SECTOR)


@pytest.mark.parametrize(("fat_bits", "card_bytes", "partitioned"), CARDS)
def test_fsck_fat_finds_nothing_to_say_of_an_empty_volume(
    fat_bits: int, card_bytes: int, partitioned: bool, tmp_path: Path
) -> None:
    volume = fit_volume(card_bytes, fat_bits, partitioned=partitioned)
    image = tmp_path / "volume.img"
    runs = [(2, 1)] if fat_bits == 32 else []
    with image.open("wb") as file:
        file.write(reserved_area(volume, "", SERIAL, len(runs)))
        for copy in range(2):
            file.seek((volume.reserved + copy * volume.fat_sectors) * SECTOR)
            file.writelines(table_chunks(volume, runs))
        file.truncate(volume.sectors * SECTOR)

    assert with_fsck.check(image, 0, tmp_path) == (0, len(runs), volume.clusters)


def test_an_fsinfo_sector() -> None:
    """Microsoft FAT specification 1.03, "FAT32 FSInfo Sector Structure"; next free is the last one allocated."""
    volume = fit_volume(64 * MIB, 32, partitioned=True)

    sector = fs_info(volume, 100)

    free = (volume.clusters - 100).to_bytes(4, "little")
    expected = b"RRaA" + bytes(480) + b"rrAa" + free + (101).to_bytes(4, "little") + bytes(12) + b"\0\0\x55\xaa"
    assert sector == expected


def test_the_fsinfo_of_an_empty_volume_is_the_one_mkfs_fat_makes(tmp_path: Path) -> None:
    volume = fit_volume(64 * MIB, 32, partitioned=True)

    assert fs_info(volume, 1) == formatted(volume, "", tmp_path)[SECTOR : 2 * SECTOR]


def test_fat32_repeats_its_first_three_sectors_as_a_backup() -> None:
    """Microsoft FAT specification 1.03: BPB_BkBootSec 6; the backup includes FSInfo and the third boot sector."""
    volume = fit_volume(64 * MIB, 32, partitioned=True)

    area = reserved_area(volume, "A", SERIAL, 1)

    assert len(area) == 9 * SECTOR
    assert area[: 3 * SECTOR] == area[6 * SECTOR :]
    assert not any(area[3 * SECTOR : 6 * SECTOR])
    assert area[:SECTOR] == boot_sector(volume, "A", SERIAL)
    assert area[SECTOR : 2 * SECTOR] == fs_info(volume, 1)
    assert area[2 * SECTOR : 3 * SECTOR] == bytes(510) + b"\x55\xaa"


def test_fat16_has_one_reserved_sector() -> None:
    volume = fit_volume(64 * MIB, 16, partitioned=True)

    assert reserved_area(volume, "A", SERIAL, 1) == boot_sector(volume, "A", SERIAL)


@pytest.mark.parametrize(
    ("card_sectors", "fat_bits", "entry"),
    [
        # mtools 4.0.32, mpartition -c, of cards laid out as the public SdFat library does; status byte aside.
        (3_911_680, 16, "00 02 04 00 06 0A CA CA 81 00 00 00 7F AF 3B 00"),
        (7_744_512, 32, "00 02 03 01 0B 30 F0 C0 00 20 00 00 00 0C 76 00"),
    ],
)
def test_a_partition_table_has_one_entry_and_no_code(card_sectors: int, fat_bits: int, entry: str) -> None:
    sector = partition_table(fit_volume(card_sectors * SECTOR, fat_bits, partitioned=True))

    assert sector == bytes(446) + bytes.fromhex(entry) + bytes(48) + b"\x55\xaa"


def test_an_unpartitioned_card_has_no_partition_table() -> None:
    assert partition_table(fit_volume(64 * MIB, 16, partitioned=False)) == b""
