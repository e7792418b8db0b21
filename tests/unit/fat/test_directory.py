from __future__ import annotations

import subprocess
from datetime import datetime
from pathlib import Path

import pytest

from pipeline.fat.boot import reserved_area
from pipeline.fat.directory import directory_bytes, label_position, tree_of
from pipeline.fat.entries import SLOT, dot_entries, file_entry, folder_entry, label_entry, long_name_slots
from pipeline.fat.geometry import fit_volume
from pipeline.fat.table import cluster_runs, table_chunks
from pipeline.model.plan import SECTOR, Entry, Plan
from tests.strangers import with_fsck
from tests.strangers.tools import require
from tests.strangers.with_mtools import settings

MIB = 2**20
MOMENT = datetime(2026, 11, 25, 20, 0, 0)


def file(path: str, short: str, cluster: int, size: int = 5) -> Entry:
    return Entry(path=path, short=short, cluster=cluster, clusters=1, size=size, sha256="0" * 64)


def folder(path: str, cluster: int) -> Entry:
    return Entry(path=path, short=path.rpartition("/")[2], cluster=cluster, clusters=1)


def plan(*entries: Entry, label: str = "CLUBNIGHT", label_entry: str = "second", fat_bits: int = 32) -> Plan:
    return Plan(
        card="x",
        volume=fit_volume(64 * MIB, fat_bits, partitioned=False),
        label=label,
        label_entry=label_entry,
        serial=1,
        timestamp=MOMENT,
        root_clusters=1 if fat_bits == 32 else 0,
        entries=entries,
    )


FIRST = file("FIRST.BIN", "FIRST.BIN", 3)
LONG = file("Moth Pantry.rom", "MOTHPA~1.ROM", 4)
GOODS = folder("GOODS", 5)
LABEL_SLOT = label_entry("CLUBNIGHT", MOMENT)
FIRST_SLOT = file_entry("FIRST.BIN", 3, 5, MOMENT)
LONG_SLOTS = long_name_slots("Moth Pantry.rom", "MOTHPA~1.ROM") + file_entry("MOTHPA~1.ROM", 4, 5, MOMENT)
GOODS_SLOT = folder_entry("GOODS", 5, MOMENT)


def root_of(value: Plan) -> bytes:
    return directory_bytes(value, "", tree_of(value))


def test_the_root_holds_the_first_file_then_the_label_then_the_rest() -> None:
    assert root_of(plan(FIRST, GOODS, LONG)) == FIRST_SLOT + LABEL_SLOT + GOODS_SLOT + LONG_SLOTS


def test_the_label_can_stand_first() -> None:
    assert root_of(plan(FIRST, LONG, label_entry="first")) == LABEL_SLOT + FIRST_SLOT + LONG_SLOTS


def test_a_card_without_a_label_has_no_entry_for_one() -> None:
    assert root_of(plan(FIRST, LONG, label="", label_entry="none")) == FIRST_SLOT + LONG_SLOTS


@pytest.mark.parametrize("entries", [(LONG, FIRST), (GOODS, FIRST), ()])
def test_the_label_stands_first_where_no_file_without_long_name_does(entries: tuple[Entry, ...]) -> None:
    """Microsoft FAT specification 1.03: the label precedes every long-name slot, or old systems take one for it."""
    value = plan(*entries)

    assert label_position(value, entries) == 0
    assert root_of(value)[:SLOT] == LABEL_SLOT


def test_a_folder_begins_with_its_dot_entries_and_the_root_counts_as_cluster_0() -> None:
    """Microsoft FAT specification 1.03: ".." of a folder in the root is 0, on FAT32 too."""
    inner = folder("GOODS/INNER", 6)
    deep = file("GOODS/INNER/Deep file.rom", "DEEPFI~1.ROM", 7)
    value = plan(FIRST, GOODS, inner, deep)
    tree = tree_of(value)

    assert directory_bytes(value, "GOODS", tree) == dot_entries(5, 0, MOMENT) + folder_entry("INNER", 6, MOMENT)
    assert directory_bytes(value, "GOODS/INNER", tree) == (
        dot_entries(6, 5, MOMENT)
        + long_name_slots("Deep file.rom", "DEEPFI~1.ROM")
        + file_entry("DEEPFI~1.ROM", 7, 5, MOMENT)
    )


def test_an_empty_folder_holds_its_dot_entries_only() -> None:
    value = plan(GOODS)

    assert directory_bytes(value, "GOODS", tree_of(value)) == dot_entries(5, 0, MOMENT)


@pytest.mark.parametrize("fat_bits", [12, 16, 32])
def test_mtools_and_fsck_fat_read_what_the_directories_say(fat_bits: int, tmp_path: Path) -> None:
    shift = 0 if fat_bits == 32 else -1
    deep = "GOODS/Ein Gr\u00fc\u00dfe-Ordner/" + "x" * 251 + ".rom"
    names = ("GOODS", "GOODS/Ein Gr\u00fc\u00dfe-Ordner")
    entries = (
        file("FIRST.BIN", "FIRST.BIN", 3 + shift),
        folder(names[0], 4 + shift),
        Entry(path=names[1], short="EINGR_~1", cluster=5 + shift, clusters=2),
        file(deep, "XXXXXX~1.ROM", 7 + shift, 6),
        file("Moth Pantry.rom", "MOTHPA~1.ROM", 8 + shift),
    )
    value = plan(*entries, fat_bits=fat_bits)
    image = tmp_path / "volume.img"
    volume, tree = value.volume, tree_of(value)
    with image.open("wb") as target:
        runs = cluster_runs(value)
        used = sum(count for _, count in runs)
        target.write(reserved_area(volume, value.label, 0x1234ABCD, used))
        for copy in range(2):
            target.seek((volume.reserved + copy * volume.fat_sectors) * SECTOR)
            target.writelines(table_chunks(volume, runs))
        target.seek(volume.root_start * SECTOR)
        target.write(root_of(value))
        for path in names:
            target.seek(volume.cluster_offset(tree.clusters[path]))
            target.write(directory_bytes(value, path, tree))
        target.truncate(volume.sectors * SECTOR)

    assert with_fsck.check(image, 0, tmp_path) == (len(entries) + 1, used, volume.clusters)
    listed = [require("mdir"), "-b", "-/", "-i", str(image), "::"]
    result = subprocess.run(listed, check=True, capture_output=True, env=settings(tmp_path), text=True)
    assert result.stdout.splitlines() == [
        "::/FIRST.BIN",
        "::/GOODS/",
        "::/Moth Pantry.rom",
        "::/GOODS/Ein Gr\u00fc\u00dfe-Ordner/",
        f"::/{deep}",
    ]
