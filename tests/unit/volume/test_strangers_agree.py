"""What we list of sound volumes is what strangers list of them, whoever made the volume."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from pipeline.model.reading import Reading
from tests.strangers import with_dissect, with_mtools
from tests.strangers.items import Item
from tests.strangers.readers import assert_all_agree, of_files
from tests.strangers.test_readers import FILES, SHORTS, make, shifted
from tests.unit.image.cards import FILES as OUR_FILES
from tests.unit.image.cards import build, plan_of, sample_plan, volume_of
from tests.unit.volume.making import by_fatfs, reading_of

SHORT_FILES = {"HELLO.TXT": b"hello\n", "BIG.BIN": bytes(range(256)) * 300, "TAIL": b"y" * 512}


def listed(data: bytes, reading: Reading) -> list[Item]:
    """Every item with the hash of its content, taken from the extents we tell."""
    return [
        Item(
            item.path,
            item.size,
            ""
            if item.is_folder
            else hashlib.sha256(b"".join(data[at : at + size] for at, size in reading.ranges(item))).hexdigest(),
        )
        for item in reading.items
    ]


def same(one: list[Item], other: list[Item]) -> bool:
    def plain(items: list[Item]) -> list[tuple[str, int, str]]:
        return sorted((item.path, item.size, item.sha256) for item in items)

    return plain(one) == plain(other)


@pytest.mark.parametrize(("fat_bits", "megabytes"), [(12, 1), (16, 8), (32, 40)])
def test_volumes_of_mkfs_and_mtools_are_listed_as_six_strangers_do(
    fat_bits: int, megabytes: int, tmp_path: Path
) -> None:
    image = tmp_path / "card.img"
    make(image, fat_bits, megabytes, tmp_path)
    data = image.read_bytes()
    reading = reading_of(data)

    assert_all_agree(image, of_files(FILES, SHORTS), tmp_path)
    assert same(listed(data, reading), list(of_files(FILES, SHORTS).items))
    assert {item.path: item.short for item in reading.items}.items() >= SHORTS.items()
    assert reading.volume.fat_bits == fat_bits
    assert reading.findings == ()
    assert [item.path for item in reading.items] == [item.path for item in with_dissect.read(image, 0)]


def test_a_partition_is_found_behind_another_one(tmp_path: Path) -> None:
    volume, image = tmp_path / "volume.img", tmp_path / "card.img"
    make(volume, 16, 8, tmp_path)
    shifted(volume, 0x0E, image)
    data = bytearray(image.read_bytes())
    data[446:478] = bytes([0, 1, 1, 0, 0x83, 1, 1, 0, 1, 0, 0, 0, 9, 0, 0, 0]) + data[446:462]
    reading = reading_of(bytes(data))

    assert [kind for kind, _, _ in reading.partitions] == [0x83, 0x0E]
    assert (reading.volume.start, reading.volume.partition_type) == (63, 0x0E)
    assert same(listed(bytes(data), reading), list(of_files(FILES, SHORTS).items))
    assert [finding.kind for finding in reading.findings] == ["hidden sectors"]


@pytest.mark.parametrize("partitioned", [True, False])
@pytest.mark.parametrize("fat_bits", [12, 16, 32])
def test_our_own_cards_are_read_as_planned(fat_bits: int, partitioned: bool, tmp_path: Path) -> None:
    image, plan = tmp_path / "card.img", sample_plan(fat_bits, partitioned=partitioned)
    build(plan, OUR_FILES, image)
    reading = reading_of(image.read_bytes())

    assert reading.findings == ()
    assert reading.volume == plan.volume
    assert (reading.label, reading.boot_label, reading.serial) == ("DESK", "DESK", 0x1234ABCD)
    told = {item.path: (item.short, item.size, item.extents) for item in reading.items}
    assert told == {
        entry.path: (entry.short, entry.size, ((entry.cluster, entry.clusters),) if entry.clusters else ())
        for entry in plan.entries
    }


def test_a_volume_of_fatfs_with_one_fat_is_read(tmp_path: Path) -> None:
    image = tmp_path / "card.img"
    data = by_fatfs(image, SHORT_FILES)
    reading = reading_of(data)

    assert reading.fats == 1
    assert reading.findings == ()
    assert same(listed(data, reading), with_mtools.read(image, 0, tmp_path))
    assert same(listed(data, reading), list(of_files(SHORT_FILES).items))


def test_a_volume_with_large_sectors_is_read(tmp_path: Path) -> None:
    """mkfs.fat -S 2048; mtools reads it."""
    from tests.unit.volume.making import FILES as MADE
    from tests.unit.volume.making import by_mkfs, filled

    image = tmp_path / "card.img"
    by_mkfs(image, 16, "-S2048")
    data = filled(image, tmp_path)
    reading = reading_of(data)

    assert reading.sector_bytes == 2048
    assert reading.findings == ()
    assert same(listed(data, reading), list(of_files(MADE).items))


def test_many_files_are_read_as_planned(tmp_path: Path) -> None:
    files = {f"FOLDER {number % 20}/a file with a long name {number}.bin": b"x" * 700 for number in range(2000)}
    plan = plan_of(files, volume_of(32, size=64 << 20))
    image = tmp_path / "card.img"
    build(plan, files, image)
    reading = reading_of(image.read_bytes())

    assert reading.findings == ()
    assert {item.path for item in reading.items} == {entry.path for entry in plan.entries}
