"""Cards with something of everything, and with wide folders, held to what six strangers say of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.strangers.readers import assert_all_agree
from tests.unit.image.cards import FILES, build, plan_of, sample_plan, volume_of


@pytest.mark.parametrize("partitioned", [False, True])
@pytest.mark.parametrize("fat_bits", [12, 16, 32])
def test_every_kind_of_volume(fat_bits: int, partitioned: bool, tmp_path: Path) -> None:
    plan = sample_plan(fat_bits, partitioned=partitioned)
    image = tmp_path / "card.img"
    build(plan, FILES, image)

    assert_all_agree(image, plan, tmp_path)


@pytest.mark.parametrize("fat_bits", [12, 16, 32])
def test_wide_folders_and_a_full_root(fat_bits: int, tmp_path: Path) -> None:
    """Folders of many clusters, and the 512 slots of the root directory used to the last (FAT12 and FAT16)."""
    files = {f"FILE{number}.BIN": b"%d" % number for number in range(501)}
    files |= {f"FOLDER {part}/A longer name {number}.txt": b"%d" % number for part in range(3) for number in range(300)}
    files |= {"A name that takes two slots": b""}
    plan = plan_of(files, volume_of(fat_bits, size=48 << 20), label="FULL")
    image = tmp_path / "card.img"
    build(plan, files, image)
    used = 501 + 3 * (1 + 1) + (3 + 1) + 1

    assert used == 512
    assert_all_agree(image, plan, tmp_path)


def test_large_cards_of_each_type(tmp_path: Path) -> None:
    """128 MiB as FAT12, 2 GiB as FAT16, 1 GB as FAT32: the largest clusters and numbers of them."""
    for fat_bits, size in ((12, 128 << 20), (16, 2 << 30), (32, 10**9)):
        plan = plan_of(FILES, volume_of(fat_bits, size=size), first="FIRST.BIN")
        image = tmp_path / "card.img"
        build(plan, FILES, image)

        assert_all_agree(image, plan, tmp_path)
