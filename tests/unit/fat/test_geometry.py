from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.fat.geometry import (
    FEWEST_CLUSTERS,
    FEWEST_SECTORS,
    GeometryError,
    cluster_count,
    fat_sectors,
    fat_type_for,
    fit_volume,
    largest_card,
    smallest_card,
)
from pipeline.model.plan import SECTOR, Volume

MIB = 2**20
GIB = 2**30

FORMS = [(bits, partitioned) for bits in (12, 16, 32) for partitioned in (True, False)]


# mkfs.fat -a of dosfstools 4.2 makes the same sizes, and its fsck.fat accepts them; two FATs throughout.
LAYOUTS = [
    # bits, sectors, sectors per cluster, reserved, root entries, sectors of a FAT, clusters
    (12, 2_880, 1, 1, 224, 9, 2_847),
    (16, 8_769, 2, 1, 512, 18, 4_350),  # Microsoft's formula gives 17, one too few
    (16, 32_861, 4, 1, 512, 33, 8_190),  # 32, one too few
    (16, 131_072, 4, 1, 512, 128, 32_695),
    (16, 1_048_576, 16, 1, 512, 256, 65_501),
    (16, 2_097_152, 32, 1, 512, 256, 65_518),
    (16, 4_194_081, 64, 1, 512, 256, 65_524),
    (16, 4_193_057, 64, 1, 512, 256, 65_508),
    (32, 1_048_576, 8, 32, 0, 1_022, 130_812),  # 1,023
    (32, 16_777_216, 8, 32, 0, 16_353, 2_093_059),  # 16,368
    (32, 16_777_216, 64, 32, 0, 2_048, 262_079),
    (32, 62_521_344, 64, 32, 0, 7_631, 976_657),  # 7,632
]


@pytest.mark.parametrize(("bits", "sectors", "cluster", "reserved", "entries", "size", "clusters"), LAYOUTS)
def test_fat_size_and_cluster_count_are_those_of_public_tools(
    bits: int, sectors: int, cluster: int, reserved: int, entries: int, size: int, clusters: int
) -> None:
    assert fat_sectors(bits, sectors, cluster, reserved, entries) == size
    assert cluster_count(sectors, cluster, reserved, size, entries) == clusters


@given(
    st.sampled_from([(12, 1, 512), (16, 1, 512), (32, 32, 0)]),
    st.integers(200, 2**32 - 1),
    st.sampled_from([1, 2, 4, 8, 16, 32, 64]),
)
def test_fat_size_is_the_smallest_that_holds_every_cluster(
    form: tuple[int, int, int], sectors: int, cluster: int
) -> None:
    """Microsoft FAT specification 1.03, "FAT Data Structure": an entry for every cluster, and two reserved ones."""
    bits, reserved, entries = form
    if bits == 12:
        sectors = 200 + sectors % (4000 * cluster)

    def holds(size: int) -> bool:
        clusters = cluster_count(sectors, cluster, reserved, size, entries)
        return size * SECTOR * 8 >= (clusters + 2) * bits

    size = fat_sectors(bits, sectors, cluster, reserved, entries)

    assert holds(size)
    assert size == 1 or not holds(size - 1)


def test_a_2_gb_card_as_fat16() -> None:
    """Layout and alignment as the public SdFat library formats a card of 3,911,680 sectors."""
    volume = fit_volume(3_911_680 * SECTOR, 16, partitioned=True)

    assert volume == Volume(
        fat_bits=16,
        card_sectors=3_911_680,
        start=129,
        sectors=3_911_551,
        sectors_per_cluster=64,
        reserved=1,
        fat_sectors=239,
        root_entries=512,
        clusters=61_110,
        heads=64,
        sectors_per_track=63,
        partition_type=0x06,
    )
    assert volume.data_start == 640


def test_a_4_gb_card_as_fat32() -> None:
    """Layout and alignment as the public SdFat library formats a card of 7,744,512 sectors."""
    volume = fit_volume(7_744_512 * SECTOR, 32, partitioned=True)

    assert volume == Volume(
        fat_bits=32,
        card_sectors=7_744_512,
        start=8192,
        sectors=7_736_320,
        sectors_per_cluster=64,
        reserved=6_304,
        fat_sectors=944,
        root_entries=0,
        clusters=120_752,
        heads=128,
        sectors_per_track=63,
        partition_type=0x0B,
    )
    assert volume.data_start == 16_384


def test_a_64_mb_card_as_fat12() -> None:
    """Public description of a card of 129,792 sectors (Alibaba Cloud developer pages), all but heads and tracks.

    Partition at 39, FATs of 12 sectors at 40, root at 64, data at 96, clusters of 16 KiB, 4,053 of them.
    """
    published = Volume(
        fat_bits=12,
        card_sectors=129_792,
        start=39,
        sectors=129_753,
        sectors_per_cluster=32,
        reserved=1,
        fat_sectors=12,
        root_entries=512,
        clusters=4_053,
        heads=8,
        sectors_per_track=32,
        partition_type=0x06,
    )
    assert published.data_start == 96
    assert fit_volume(129_792 * SECTOR, 12, partitioned=True) == published


@pytest.mark.parametrize(
    ("fat_bits", "card_bytes", "data_start", "clusters", "cluster"),
    [
        # By hand: unit, sectors before the data area, sectors left.
        (16, 2_000_000_000, 640, 61_025, 64),  # 128; 128 + 1 + 2 * 239 + 32 = 639; 3,905,610
        (16, 2 * GIB, 768, 65_507, 64),  # 128; 673; the border 65,525 less 16, less 2 for readers that forget the root
        (16, 128 * MIB, 256, 16_368, 16),  # 64; 64 + 1 + 2 * 64 + 32 = 225; 261,888
        (32, 32_000_000_000, 24_576, 976_178, 64),  # 8192; 8192 + 32 + 2 * 7,627 = 23,478; 62,475,424
        (12, 1_474_560, 64, 1_408, 2),  # 16; 16 + 1 + 2 * 5 + 32 = 59; 2,816
    ],
)
def test_cards_as_they_are_sold(fat_bits: int, card_bytes: int, data_start: int, clusters: int, cluster: int) -> None:
    volume = fit_volume(card_bytes, fat_bits, partitioned=True)

    assert (volume.data_start, volume.clusters, volume.sectors_per_cluster) == (data_start, clusters, cluster)


def test_a_card_of_exactly_2_gib_holds_the_largest_safe_fat16_volume() -> None:
    """The largest legal one has 65,524 clusters; mkfs.fat refuses a volume as large as the card."""
    volume = fit_volume(2 * GIB, 16, partitioned=False)

    assert volume.sectors == 4_192_993
    assert volume.card_sectors == 4_194_304


@pytest.mark.parametrize(
    ("fat_bits", "card_bytes", "message", "hint", "bound"),
    [
        (
            16,
            4_000_000_000,
            "FAT16 holds at most 2,146,812,416 bytes at 32 KiB clusters, on a card of 2,147,483,648; "
            "4,000,000,000 were asked for",
            "ask for a card of at most 2 GiB, or for another FAT type",
            2 * GIB,
        ),
        (
            12,
            200 * MIB,
            "FAT12 holds at most 133,296,640 bytes at 32 KiB clusters, on a card of 134,217,728; "
            "209,715,200 were asked for",
            "ask for a card of at most 128 MiB, or for another FAT type",
            128 * MIB,
        ),
        (
            32,
            2**41,
            "FAT32 holds at most 2,199,006,477,824 bytes at 32 KiB clusters, on a card of 2,199,023,255,040; "
            "2,199,023,255,552 were asked for",
            "ask for a card of at most 2,199,023,255,040 bytes, or for another FAT type",
            2**41 - 512,
        ),
        (
            32,
            16_000_000,
            "FAT32 needs a card of at least 41,945,600 bytes; 16,000,000 were asked for",
            "ask for a card of at least 41,945,600 bytes, or for another FAT type",
            41_945_600,
        ),
        (
            16,
            0,
            "FAT16 needs a card of at least 2,148,864 bytes; 0 were asked for",
            "ask for a card of at least 2,148,864 bytes, or for another FAT type",
            2_148_864,
        ),
    ],
)
def test_cards_no_volume_fits_are_refused_with_the_numbers(
    fat_bits: int, card_bytes: int, message: str, hint: str, bound: int
) -> None:
    with pytest.raises(GeometryError) as caught:
        fit_volume(card_bytes, fat_bits, partitioned=True)

    assert str(caught.value) == message
    assert caught.value.hint == hint
    assert (caught.value.largest or caught.value.smallest) == bound


@pytest.mark.parametrize(("fat_bits", "partitioned"), FORMS)
def test_the_bounds_named_are_the_bounds_kept(fat_bits: int, partitioned: bool) -> None:
    smallest = smallest_card(fat_bits, partitioned=partitioned)
    largest = largest_card(fat_bits)

    volume = fit_volume(smallest, fat_bits, partitioned=partitioned)
    if fat_bits == 12:
        assert volume.sectors == FEWEST_SECTORS
        assert volume.clusters >= FEWEST_CLUSTERS[12]
    else:
        assert volume.clusters == FEWEST_CLUSTERS[fat_bits]
    assert fit_volume(largest, fat_bits, partitioned=partitioned).card_sectors == largest // SECTOR
    with pytest.raises(GeometryError) as too_small:
        fit_volume(smallest - 1, fat_bits, partitioned=partitioned)
    assert too_small.value.smallest == smallest
    with pytest.raises(GeometryError) as too_large:
        fit_volume(largest + SECTOR, fat_bits, partitioned=partitioned)
    assert too_large.value.largest == largest


@pytest.mark.parametrize(
    ("card_sectors", "reserved", "data_start"),
    [
        # By hand, clusters of 64 sectors: 522,238 clusters take FATs of 4,080 sectors, and 8,192 - 2 * 4,080 = 32. One
        # cluster more takes 4,081, for which 30 would be left; behind the next boundary 522,111 clusters are left,
        # which take 4,080 again: 16,384 - 2 * 4,080.
        (8_192 + 522_238 * 64, 32, 8_192),
        (8_192 + 522_239 * 64, 8_224, 16_384),
    ],
)
def test_fat32_keeps_32_reserved_sectors_at_least(card_sectors: int, reserved: int, data_start: int) -> None:
    """Microsoft FAT32 File System Specification 1.03 (2000), BPB_RsvdSecCnt: "typically 32" on FAT32."""
    volume = fit_volume(card_sectors * SECTOR, 32, partitioned=False)

    assert (volume.reserved, volume.data_start) == (reserved, data_start)


@pytest.mark.parametrize(("sectors", "size", "clusters"), [(2_770, 5, 1_363), (8_233, 7, 2_046), (715, 2, 339)])
def test_a_fat_that_holds_every_cluster_only_as_long_as_it_is_not_smaller(
    sectors: int, size: int, clusters: int
) -> None:
    """mkfs.fat -a of dosfstools 4.2 makes the same: a sector less for each FAT would add the cluster it cannot hold."""
    volume = fit_volume(sectors * SECTOR, 12, partitioned=False)

    assert (volume.fat_sectors, volume.clusters) == (size, clusters)


@pytest.mark.parametrize(
    ("card_bytes", "accepted", "expected"),
    [
        # SD Physical Layer Simplified Specification 4.10, 3.3.2: to 2 GiB FAT12/16, above FAT32.
        (2_000_000_000, (12, 16, 32), 16),
        (2 * GIB, (12, 16, 32), 16),
        (2 * GIB + SECTOR, (12, 16, 32), 32),
        (32_000_000_000, (12, 16, 32), 32),
        (256 * MIB, (12, 32), 32),
        (1_474_560, (12, 16, 32), 12),
        (32 * MIB, (12, 16), 16),
        (32 * MIB, (12,), 12),
    ],
)
def test_the_fat_type_for_a_card(card_bytes: int, accepted: tuple[int, ...], expected: int) -> None:
    assert fat_type_for(card_bytes, accepted) == expected


@pytest.mark.parametrize(
    ("card_bytes", "accepted", "message"),
    [
        (
            4_000_000_000,
            (12, 16),
            "FAT16 holds at most 2,146,812,416 bytes at 32 KiB clusters, on a card of 2,147,483,648; "
            "4,000,000,000 were asked for",
        ),
        (
            1_000_000,
            (16, 32),
            "FAT16 needs a card of at least 2,148,864 bytes; 1,000,000 were asked for",
        ),
        (1_000_000, (), "no FAT type is accepted; expected at least one of FAT12, FAT16 and FAT32"),
    ],
)
def test_a_card_no_accepted_fat_type_fits_is_refused(card_bytes: int, accepted: tuple[int, ...], message: str) -> None:
    with pytest.raises(GeometryError) as caught:
        fat_type_for(card_bytes, accepted)

    assert str(caught.value) == message
    assert caught.value.hint


def test_bytes_beyond_the_last_whole_sector_do_not_matter() -> None:
    assert fit_volume(100 * MIB + 511, 16, partitioned=True) == fit_volume(100 * MIB, 16, partitioned=True)
    assert fit_volume(100 * MIB + 512, 16, partitioned=True) == replace(
        fit_volume(100 * MIB, 16, partitioned=True),
        card_sectors=204_801,
        sectors=fit_volume(100 * MIB, 16, partitioned=True).sectors + 1,
    )
