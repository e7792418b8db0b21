"""What of the places outside of files is damaged, and what systems merely touch."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from pipeline.model.reading import Reading
from pipeline.record.fields import Naming
from pipeline.record.regions import Region, regions_of
from pipeline.record.verdict import DifferingSpot, FoundVolume, chips_at, spots
from pipeline.volume.read import read_volume
from tests.unit.inspect.test_verify import Card, card_of

CLEAN_BITS = {16: 0xC000, 32: 0x0C000000}
"""ClnShutBitMask and HrdErrBitMask of the second entry of a FAT.

Source: Microsoft FAT32 File System Specification 1.03 (2000), "FAT[1]".
"""


def reading_of(data: bytes) -> Reading:
    reading = read_volume(lambda offset, length: bytes(data[offset : offset + length]), len(data))
    assert isinstance(reading, Reading)
    return reading


def region_of(card: Card, kind: str) -> Region:
    return next(region for region in regions_of(reading_of(card.data), len(card.data)) if region.owner.kind == kind)


def found_on(data: bytes, *, sound: bool = True) -> FoundVolume:
    reading = reading_of(data)
    return FoundVolume(sound=sound, reading=reading, items={item.path: item for item in reading.items})


def differing(card: Card, region: Region, changes: dict[int, int], found: FoundVolume) -> Sequence[DifferingSpot]:
    """Return the spots of a region in which some bytes are changed; ``changes``: by offset, what is XORed to a byte."""
    planned = bytes(card.data[region.start : region.end])
    actual = bytearray(planned)
    for at, value in changes.items():
        actual[at] ^= value
    return list(spots(region, planned, bytes(actual), Naming(reading_of(card.data)), found))


@pytest.mark.parametrize("fat_bits", [16, 32])
def test_only_the_two_flags_of_the_second_fat_entry_may_differ(fat_bits: int, tmp_path: Path) -> None:
    card = card_of(tmp_path, fat_bits)
    region, width = region_of(card, "FAT"), fat_bits // 8
    for bit in range(fat_bits):
        (spot,) = differing(card, region, {width + bit // 8: 1 << bit % 8}, found_on(card.data))
        assert spot.damaged is not bool(CLEAN_BITS[fat_bits] >> bit & 1), bit
        assert spot.offset == region.start + width + bit // 8


@pytest.mark.parametrize("fat_bits", [12, 16, 32])
def test_a_chain_of_a_sound_volume_may_lie_elsewhere_but_for_the_first_two_entries(
    fat_bits: int, tmp_path: Path
) -> None:
    card = card_of(tmp_path, fat_bits)
    region = region_of(card, "FAT")
    clusters = card.plan.volume.clusters
    for cluster, damaged in ((0, True), (2, False), (3, False), (clusters + 1, False), (clusters + 2, True)):
        at = cluster * fat_bits // 8 + (1 if fat_bits == 12 and cluster % 2 else 0)
        if at >= region.end - region.start:
            continue
        value = 0x10
        assert [spot.damaged for spot in differing(card, region, {at: value}, found_on(card.data))] == [damaged], (
            cluster
        )
        damage = differing(card, region, {at: value}, found_on(card.data, sound=False))
        assert [spot.damaged for spot in damage] == [True]


def entry_of(card: Card, path: str) -> tuple[Region, int]:
    """Return the region of the root directory, and where in it the entry of a file there begins."""
    region = region_of(card, "root directory")
    item = next(item for item in reading_of(card.data).items if item.path == path)
    return region, item.offset - region.start


@pytest.mark.parametrize("fat_bits", [12, 16, 32])
def test_times_and_the_archive_bit_of_an_entry_are_touched_and_the_rest_is_damaged(
    fat_bits: int, tmp_path: Path
) -> None:
    """Offsets of the 32 bytes of an entry: Microsoft FAT32 File System Specification 1.03, "FAT Directory Structure".

    With the volume unsound, so that nothing counts as moved. What of an entry systems touch is common practice.
    """
    card = card_of(tmp_path, fat_bits)
    region, start = entry_of(card, "FIRST.BIN")
    for within in range(32):
        (spot,) = differing(card, region, {start + within: 0x01}, found_on(card.data, sound=False))
        times = within == 13 or 14 <= within <= 19 or 22 <= within <= 25
        assert (spot.damaged, spot.path) == (not times, "FIRST.BIN"), within
    (spot,) = differing(card, region, {start + 11: 0x20}, found_on(card.data, sound=False))
    assert not spot.damaged


def test_a_field_is_told_once_with_its_first_byte(tmp_path: Path) -> None:
    card = card_of(tmp_path, 16)
    region, start = entry_of(card, "FIRST.BIN")
    size = range(28, 32)  # DIR_FileSize
    (spot,) = differing(card, region, {start + at: 0x80 for at in size}, found_on(card.data, sound=False))
    assert (spot.offset, spot.damaged) == (region.start + start + 28, True)
    both = differing(card, region, {start + 14: 1, start + 28: 1}, found_on(card.data, sound=False))
    assert [spot.damaged for spot in both] == [False, True]


def test_bytes_of_a_range_belong_to_its_chip_from_the_first_to_before_the_end() -> None:
    origin: dict[str, object] = {
        "ranges": [
            {"start": 0, "end": 4, "from": ["chip a"]},
            {"start": 4, "end": 8, "from": ["chip b, lane 1 of 2", "chip c, lane 2 of 2"]},
        ]
    }
    assert chips_at(origin, [0, 3]) == ["chip a"]
    assert chips_at(origin, [4]) == ["chip b", "chip c"]
    assert chips_at(origin, [7, 0]) == ["chip a", "chip b", "chip c"]
    assert chips_at(origin, [8]) == []
    assert chips_at({"contents": [{"role": "chip z"}]}, [1]) == ["chip z"]
    assert chips_at(origin, []) == []
