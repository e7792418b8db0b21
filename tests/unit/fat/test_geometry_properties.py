from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from pipeline.fat.capacity import boundary_unit, usual_cluster
from pipeline.fat.geometry import (
    FEWEST_CLUSTERS,
    cluster_count,
    fit_volume,
    largest_card,
    most_clusters,
    smallest_card,
)
from pipeline.model.plan import SECTOR, Volume

FORMS = [(bits, partitioned) for bits in (12, 16, 32) for partitioned in (True, False)]


@st.composite
def volumes(draw: st.DrawFn) -> tuple[Volume, bool]:
    """Draw a volume on a card of any size its FAT type can have, as often small as large."""
    fat_bits, partitioned = draw(st.sampled_from(FORMS))
    low = smallest_card(fat_bits, partitioned=partitioned) // SECTOR
    high = largest_card(fat_bits) // SECTOR
    scale = draw(st.integers(low.bit_length(), high.bit_length()))
    sectors = draw(st.integers(max(low, 2 ** (scale - 1)), min(high, 2**scale)))
    return fit_volume(sectors * SECTOR, fat_bits, partitioned=partitioned), partitioned


@given(volumes())
def test_the_volume_lies_inside_the_card(drawn: tuple[Volume, bool]) -> None:
    volume, partitioned = drawn

    assert (volume.start > 0) == (volume.partition_type > 0) == partitioned
    assert volume.start + volume.sectors <= volume.card_sectors
    end = volume.data_start + volume.clusters * volume.sectors_per_cluster
    assert end <= volume.start + volume.sectors < end + volume.sectors_per_cluster


@given(volumes())
def test_cluster_counts_keep_away_from_every_readers_border(drawn: tuple[Volume, bool]) -> None:
    """Microsoft FAT specification 1.03: 4,085 and 65,525, "stay at least 16 clusters on each side away from these".

    Two public readers forget the root directory and count root sectors // cluster too many; theirs must be right too.
    """
    volume, _ = drawn
    counted = cluster_count(
        volume.sectors, volume.sectors_per_cluster, volume.reserved, volume.fat_sectors, volume.root_entries
    )
    forgetful = cluster_count(volume.sectors, volume.sectors_per_cluster, volume.reserved, volume.fat_sectors, 0)

    assert counted == volume.clusters
    for count in (counted, forgetful):
        if volume.fat_bits == 12:
            assert 32 < count <= 4085 - 16
        elif volume.fat_bits == 16:
            assert 4085 + 16 <= count <= 65525 - 16
        else:
            assert 65525 + 16 <= count <= 0x0FFFFFF7 - 2


@given(volumes())
def test_the_data_area_is_aligned_from_the_cards_first_sector(drawn: tuple[Volume, bool]) -> None:
    """SD practice (public SdFat library): the first sector of cluster 2 is a multiple of the boundary unit."""
    volume, partitioned = drawn
    unit = boundary_unit(volume.fat_bits, volume.card_sectors)

    if volume.fat_bits == 32:
        assert volume.data_start % unit == 0
        assert volume.start == (unit if partitioned else 0)
        assert 32 <= volume.reserved <= 65_535
    elif partitioned:
        assert volume.data_start % unit == 0
        assert volume.start >= unit
        assert volume.reserved == 1
    else:
        # One reserved sector, two FATs and 32 sectors of root directory are an odd number, whatever the FATs' size.
        assert volume.data_start % 2 == 1
        assert volume.reserved == 1


@given(volumes())
def test_the_fat_is_the_smallest_that_holds_every_cluster(drawn: tuple[Volume, bool]) -> None:
    volume, partitioned = drawn
    holds = volume.fat_sectors * SECTOR * 8 // volume.fat_bits
    holds_less_one = (volume.fat_sectors - 1) * SECTOR * 8 // volume.fat_bits

    assert holds >= volume.clusters + 2
    if volume.fat_bits == 32 or partitioned:
        assert holds_less_one < volume.clusters + 2
    else:
        # Nothing lies between the FATs and the data: smaller FATs would make room for more clusters.
        more = cluster_count(volume.sectors, volume.sectors_per_cluster, 1, volume.fat_sectors - 1, volume.root_entries)
        assert holds_less_one < more + 2


@given(volumes())
def test_clusters_are_a_power_of_two_up_to_32_kib(drawn: tuple[Volume, bool]) -> None:
    """Microsoft FAT specification 1.03, BPB_SecPerClus."""
    volume, _ = drawn

    assert volume.sectors_per_cluster in (1, 2, 4, 8, 16, 32, 64)


@given(volumes())
def test_the_cluster_is_the_usual_one_wherever_its_count_is_safe(drawn: tuple[Volume, bool]) -> None:
    volume, _ = drawn
    usual = usual_cluster(volume.card_sectors)
    clusters = volume.clusters * volume.sectors_per_cluster // usual

    if volume.sectors_per_cluster < usual:
        assert clusters < FEWEST_CLUSTERS[volume.fat_bits]
    if volume.sectors_per_cluster > usual:
        assert clusters + 1 + volume.sectors_per_cluster // usual >= most_clusters(volume.fat_bits, usual)


@given(volumes())
def test_a_volume_loses_little_of_its_card(drawn: tuple[Volume, bool]) -> None:
    """No data sector is given away but for alignment, less than a cluster, and what the FAT type cannot hold."""
    volume, _ = drawn
    unit = boundary_unit(volume.fat_bits, volume.card_sectors)
    system = volume.reserved + 2 * volume.fat_sectors + volume.root_entries * 32 // SECTOR
    if volume.fat_bits == 32:
        system += 32 - volume.reserved
    capped = volume.clusters == most_clusters(volume.fat_bits, volume.sectors_per_cluster)

    assert volume.data_start <= system + 3 * unit
    assert capped or volume.start + volume.sectors == volume.card_sectors
