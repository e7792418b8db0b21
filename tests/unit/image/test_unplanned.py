"""Every byte of an image is as planned: the reader covers files, and this whatever is not a file's content."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from pipeline.errors import CheckError
from pipeline.image.unplanned import check_unplanned, first_unplanned_byte
from pipeline.model.plan import SECTOR, Plan
from tests.unit.image.cards import FILES, build, sample_plan

KINDS = [(bits, partitioned) for bits in (12, 16, 32) for partitioned in (False, True)]


def contents(plan: Plan) -> list[tuple[int, int]]:
    offset = plan.volume.cluster_offset
    return [(offset(entry.cluster), offset(entry.cluster) + entry.size) for entry in plan.entries if entry.size]


def flip(image: Path, offset: int, mask: int) -> None:
    with image.open("r+b") as file:
        file.seek(offset)
        byte = file.read(1)[0]
        file.seek(offset)
        file.write(bytes([byte ^ mask]))


def moments(plan: Plan, size: int, chance: random.Random) -> list[int]:
    """Return offsets at the borders of whatever an image holds, and random ones."""
    volume = plan.volume
    starts = [
        volume.start,
        volume.fat_start,
        volume.fat_start + volume.fat_sectors,
        volume.root_start,
        volume.data_start,
    ]
    borders = [0, 445, 511, size - 1, *(sector * SECTOR for sector in starts)]
    for start, end in contents(plan):
        borders += [start - 1, start, end - 1, end, end + 100]
    return [*(at for at in borders if 0 <= at < size), *(chance.randrange(size) for _ in range(100))]


@pytest.mark.parametrize(("fat_bits", "partitioned"), KINDS)
def test_any_byte_outside_of_contents_is_noticed(fat_bits: int, partitioned: bool, tmp_path: Path) -> None:
    plan, image = sample_plan(fat_bits, partitioned=partitioned), tmp_path / "card.img"
    build(plan, FILES, image)
    assert_noticed(plan, image, moments(plan, image.stat().st_size, random.Random(fat_bits)))


def test_any_byte_of_an_image_without_holes_is_noticed(tmp_path: Path) -> None:
    plan, image = sample_plan(12), tmp_path / "card.img"
    build(plan, FILES, image)
    image.write_bytes(image.read_bytes())
    assert_noticed(plan, image, moments(plan, image.stat().st_size, random.Random(12))[::6])


def assert_noticed(plan: Plan, image: Path, offsets: list[int]) -> None:
    assert first_unplanned_byte(plan, image) is None
    for at in offsets:
        flip(image, at, 1 << at % 8)
        inside = any(start <= at < end for start, end in contents(plan))
        assert first_unplanned_byte(plan, image) == (None if inside else at)
        flip(image, at, 1 << at % 8)


def test_bytes_behind_the_end_and_a_missing_end_are_noticed(tmp_path: Path) -> None:
    plan, image = sample_plan(12), tmp_path / "card.img"
    build(plan, FILES, image)
    size = image.stat().st_size
    with image.open("ab") as file:
        file.write(b"x")
    assert first_unplanned_byte(plan, image) == size
    flip(image, size - 1, 1)
    with pytest.raises(CheckError) as caught:
        check_unplanned(plan, image)
    assert str(caught.value).startswith(f"{image}: the byte at offset 0x{size - 1:X} is not as planned\n  hint: ")
