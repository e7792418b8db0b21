"""A card in ranges without gap or overlap, each with its owner, worked out from the plan's numbers another way."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from pipeline.model.reading import Reading
from pipeline.record.regions import regions_of
from pipeline.volume.read import read_volume
from tests.unit.inspect.test_verify import card_of, owner_of


@pytest.mark.parametrize(("fat_bits", "partitioned"), [(12, True), (16, False), (16, True), (32, True), (32, False)])
def test_every_byte_has_the_owner_that_the_plan_gives_it(fat_bits: int, partitioned: bool, tmp_path: Path) -> None:
    card = card_of(tmp_path, fat_bits, partitioned=partitioned)
    size = len(card.data)
    reading = read_volume(lambda offset, length: card.data[offset : offset + length], size)
    assert isinstance(reading, Reading)
    regions = regions_of(reading, size + 1000)
    assert [regions[0].start, regions[-1].end] == [0, size + 1000]
    assert all(one.end == other.start and one.start < one.end for one, other in pairwise(regions))
    end_of_volume = (card.plan.volume.start + card.plan.volume.sectors) * 512
    for region in regions:
        for at in {region.start, (region.start + region.end) // 2, region.end - 1}:
            if at >= end_of_volume:
                assert str(region.owner) == "after the volume"
                assert region.owns + at - region.start == at - end_of_volume
            else:
                assert str(region.owner) == (owner_of(card.plan, at) or "free space")
    owns = {str(region.owner): region.owns for region in reversed(regions)}
    slack = next(name for name in owns if name.startswith("after the end of A long"))
    assert (owns["FAT 1"], owns["FIRST.BIN"], owns[slack]) == (0, 0, 0)
