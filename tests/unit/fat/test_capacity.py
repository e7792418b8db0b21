from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.fat.capacity import boundary_unit, chs, disk_geometry, partition_type, usual_cluster


@pytest.mark.parametrize(
    ("sector", "heads", "tracks", "expected"),
    [
        # Public dump of a 4 GB card's partition table (PICLIST, 2011): LBA 8,058,879 at 128 x 63.
        (8_058_879, 128, 63, "2E EE E7"),
        # mtools 4.0.32, mpartition -c on cards of 3,911,680 and 7,744,512 sectors.
        (129, 64, 63, "02 04 00"),
        (3_911_679, 64, 63, "0A CA CA"),
        (8192, 128, 63, "02 03 01"),
        (7_744_511, 128, 63, "30 F0 C0"),
        (8192, 255, 63, "82 03 00"),
        (7_744_511, 255, 63, "12 70 E2"),
        # By definition: cylinder 0, head 0, sector 1.
        (0, 255, 63, "00 01 00"),
        # Ralf Brown's Interrupt List: the last address CHS can say, and what stands for those beyond.
        (1024 * 255 * 63 - 1, 255, 63, "FE FF FF"),
        (1024 * 255 * 63, 255, 63, "FE FF FF"),
        (1024 * 64 * 63, 64, 63, "FE FF FF"),
    ],
)
def test_a_sector_as_cylinder_head_and_sector(sector: int, heads: int, tracks: int, expected: str) -> None:
    assert chs(sector, heads, tracks) == bytes.fromhex(expected)


@given(st.integers(1, 255), st.integers(1, 63), st.data())
def test_chs_leads_back_to_the_sector_up_to_cylinder_1023(heads: int, tracks: int, data: st.DataObject) -> None:
    """Ralf Brown's Interrupt List: LBA = (cylinder * heads + head) * sectors + sector - 1."""
    sector = data.draw(st.integers(0, 1024 * heads * tracks - 1))

    head, middle, low = chs(sector, heads, tracks)

    cylinder = (middle & 0xC0) << 2 | low
    assert (cylinder * heads + head) * tracks + (middle & 0x3F) - 1 == sector
    assert head < heads


@pytest.mark.parametrize(
    ("card_sectors", "heads", "tracks"),
    [
        # Common practice: SdFat (FatFormatter.cpp) and dosfstools (mkfs.fat.c); a mebibyte has 2,048 sectors of 512.
        (4_096, 2, 16),
        (4_097, 2, 32),
        (32_768, 2, 32),
        (32_769, 4, 32),
        (65_536, 4, 32),
        (65_537, 8, 32),
        (262_144, 8, 32),
        (262_145, 16, 32),
        (524_288, 16, 32),
        (524_289, 16, 63),
        (1_032_192, 16, 63),
        (1_032_193, 32, 63),
        (2_064_384, 32, 63),
        (2_064_385, 64, 63),
        (4_128_768, 64, 63),
        (4_128_769, 128, 63),
        (8_257_536, 128, 63),
        (8_257_537, 255, 63),
    ],
)
def test_heads_and_tracks_by_capacity(card_sectors: int, heads: int, tracks: int) -> None:
    assert disk_geometry(card_sectors) == (heads, tracks)


@given(st.integers(1, 2**32 - 1))
def test_heads_and_tracks_are_never_zero_and_fit_their_fields(card_sectors: int) -> None:
    heads, tracks = disk_geometry(card_sectors)

    assert 1 <= heads <= 255
    assert 1 <= tracks <= 63


@pytest.mark.parametrize(
    ("fat_bits", "start", "sectors", "expected"),
    [
        # SD cards by size: Wikipedia "SD card", citing the SD file system specification 2.0.
        (12, 16, 32_679, 0x01),
        (12, 16, 32_680, 0x04),
        (12, 16, 65_535, 0x04),
        (12, 16, 65_536, 0x06),
        # Ralf Brown's Interrupt List: 04 is FAT16 below 32 MiB, 06 FAT16 from there.
        (16, 16, 9_000, 0x04),
        (16, 16, 65_535, 0x04),
        (16, 16, 65_536, 0x06),
        # 16,450,560 = 1024 * 255 * 63, the end of CHS.
        (32, 8192, 16_450_559 - 8192, 0x0B),
        (32, 8192, 16_450_560 - 8192, 0x0C),
    ],
)
def test_partition_type_by_size(fat_bits: int, start: int, sectors: int, expected: int) -> None:
    assert partition_type(fat_bits, start, sectors) == expected


@pytest.mark.parametrize(
    ("fat_bits", "card_sectors", "sectors"),
    [
        # SdFat: 128 for FAT16, 8192 for FAT32. Smaller cards: from memory of the SD file system specification 2.0,
        # and a public description of a 64 MB card whose boundary fits 32.
        (16, 16_384, 16),
        (16, 16_385, 32),
        (16, 131_072, 32),
        (16, 131_073, 64),
        (16, 524_288, 64),
        (16, 524_289, 128),
        (16, 4_194_304, 128),
        (16, 4_194_305, 128),
        (12, 16_384, 16),
        (12, 16_385, 32),
        (32, 131_072, 8192),
        (32, 67_108_864, 8192),
        (32, 67_108_865, 32768),
    ],
)
def test_boundary_unit_by_capacity(fat_bits: int, card_sectors: int, sectors: int) -> None:
    assert boundary_unit(fat_bits, card_sectors) == sectors


@pytest.mark.parametrize(
    ("card_sectors", "sectors"),
    [
        # Common practice: SdFat (FatFormatter.cpp); its 128 above 32 GiB is held to 64, 32 KiB.
        (32_768, 2),
        (32_769, 4),
        (65_536, 4),
        (65_537, 8),
        (131_072, 8),
        (131_073, 16),
        (262_144, 16),
        (262_145, 32),
        (2_097_152, 32),
        (2_097_153, 64),
        (67_108_864, 64),
        (67_108_865, 64),
    ],
)
def test_usual_cluster_by_capacity(card_sectors: int, sectors: int) -> None:
    assert usual_cluster(card_sectors) == sectors
