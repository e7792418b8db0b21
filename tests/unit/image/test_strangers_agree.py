"""Cards with something of everything, and with wide folders, held to what six strangers say of them."""

from __future__ import annotations

import struct
import subprocess
from contextlib import nullcontext
from pathlib import Path

import pytest

from pipeline.fat.geometry import smallest_card
from tests.strangers import with_fatfs
from tests.strangers.readers import assert_all_agree
from tests.strangers.tools import require
from tests.unit.image.cards import FILES, build, plan_of, sample_plan, volume_of
from tests.unit.volume.making import reading_at


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


@pytest.mark.parametrize("partitioned", [False, True])
@pytest.mark.parametrize("fat_bits", [12, 16, 32])
def test_the_smallest_card_of_each_type(fat_bits: int, partitioned: bool, tmp_path: Path) -> None:
    files = {"FIRST.BIN": b"first", "a long name.txt": b"second"}
    size = smallest_card(fat_bits, partitioned=partitioned)
    plan = plan_of(files, volume_of(fat_bits, partitioned=partitioned, size=size))
    image = tmp_path / "card.img"
    build(plan, files, image)

    assert_all_agree(image, plan, tmp_path)


@pytest.mark.parametrize("label_entry", ["first", "second"])
@pytest.mark.parametrize("fat_bits", [12, 16, 32])
def test_a_label_may_be_the_name_of_a_file(fat_bits: int, label_entry: str, tmp_path: Path) -> None:
    """The specification keeps names of files and folders apart from one another, and the label from neither."""
    files = {"DESK": b"a file", "DESK 2/DESK": b"another"}
    plan = plan_of(files, volume_of(fat_bits, partitioned=False), label="DESK", label_entry=label_entry, first="DESK")
    image = tmp_path / "card.img"
    build(plan, files, image)

    assert plan.entries[0].short == "DESK"
    assert_all_agree(image, plan, tmp_path)
    assert reading_at(image).findings == ()


@pytest.mark.parametrize(("kibibytes", "taken"), [(63, False), (64, True)])
def test_fatfs_takes_no_volume_of_less_than_128_sectors(kibibytes: int, taken: bool, tmp_path: Path) -> None:
    """Why ours have 128 at least: FatFs refuses what fsck.fat is content with (FR_NO_FILESYSTEM, 13)."""
    image = tmp_path / "volume.img"
    command = [require("mkfs.fat"), "-F12", "-s1", "-r16", "-C", str(image), str(kibibytes)]
    subprocess.run(command, check=True, capture_output=True)

    assert subprocess.run([require("fsck.fat"), "-n", str(image)], capture_output=True, check=False).returncode == 0
    with nullcontext() if taken else pytest.raises(Exception, match="error code 13"):
        assert with_fatfs.read(image, {"": ()}) == []


@pytest.mark.parametrize(("sectors", "count"), [(65_535, (65_535, 0)), (65_536, (0, 65_536)), (65_537, (0, 65_537))])
def test_volumes_about_the_border_of_the_small_sector_count(
    sectors: int, count: tuple[int, int], tmp_path: Path
) -> None:
    """Microsoft FAT32 File System Specification 1.03 (2000), BPB_TotSec16: 0 from 0x10000 on.

    FatFs takes a small count in the large field for no FAT volume, so the border matters to the sector.
    """
    plan = plan_of(FILES, volume_of(16, partitioned=False, size=sectors * 512))
    image = tmp_path / "card.img"
    build(plan, FILES, image)

    assert struct.unpack_from("<H11xI", image.read_bytes(), 19) == count
    assert_all_agree(image, plan, tmp_path)
