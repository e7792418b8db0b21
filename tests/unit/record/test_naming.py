"""Every byte of a FAT and of a folder is told with its owner, worked out from plan and bytes another way."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.model.reading import Reading
from pipeline.record.document import keep_of_record
from pipeline.record.fields import ENTRY, LONG, Naming, field_at
from pipeline.record.regions import regions_of
from pipeline.volume.read import read_volume
from tests.unit.inspect.test_verify import Card, card_of


def named(card: Card) -> tuple[Naming, Reading]:
    reading = read_volume(lambda offset, length: card.data[offset : offset + length], len(card.data))
    return Naming(reading), reading


def owner(card: Card, cluster: int) -> str:
    if cluster < 2 + card.plan.root_clusters:
        return "root directory"
    for entry in card.plan.entries:
        if entry.cluster <= cluster < entry.cluster + entry.clusters:
            return entry.path
    return "free"


@pytest.mark.parametrize("fat_bits", [16, 32])
def test_every_entry_of_a_fat_is_told_with_the_owner_of_its_cluster(fat_bits: int, tmp_path: Path) -> None:
    """The first two entries are no clusters (FAT specification 1.03, "FAT Data Structure")."""
    card = card_of(tmp_path, fat_bits)
    naming, reading = named(card)
    last = 1 + card.plan.volume.clusters
    for region in regions_of(reading, len(card.data)):
        if region.owner.kind != "FAT":
            continue
        width = fat_bits // 8
        for cluster in (0, 1, *range(2, 40), last - 1, last, last + 1):
            offset = region.start + cluster * width
            if offset >= region.end:
                continue
            told = {0: "media byte", 1: "dirty bit and end mark"}.get(cluster)
            told = told or f"entry of cluster {cluster:,} ({owner(card, cluster)})"
            told = "after the last entry" if cluster > last else told
            assert {naming.name(region, at) for at in range(offset, offset + width)} == {told}


@pytest.mark.parametrize("fat_bits", [12, 32])
def test_every_byte_of_a_folder_is_told_with_its_field_and_its_file(fat_bits: int, tmp_path: Path) -> None:
    card = card_of(tmp_path, fat_bits)
    naming, reading = named(card)
    names = {entry.short: entry.path for entry in card.plan.entries}
    seen = set()
    for region in regions_of(reading, len(card.data)):
        if region.owner.kind not in ("folder", "root directory"):
            continue
        longs: list[int] = []
        for slot in range(region.start, region.end, 32):
            data = card.data[slot : slot + 32]
            if data[0] and data[11] == 0x0F:  # of the short name that follows
                longs.append(slot)
                continue
            stem, extension = (part.decode("ascii").rstrip() for part in (data[:8], data[8:11]))
            path = names.get(f"{stem}.{extension}".rstrip("."), "")
            for at in range(32):
                field = field_at(ENTRY, at)
                number = (slot - region.start) // 32 + 1
                assert naming.name(region, slot + at) == (f"{field} of {path}" if path else f"slot {number}, {field}")
                assert {naming.name(region, long + at) for long in longs} <= {f"{field_at(LONG, at)} of {path}"}
            seen.add(path)
            longs = []
    assert seen - {""} == {entry.path for entry in card.plan.entries}


def test_what_a_record_says_is_the_users() -> None:
    assert keep_of_record({"card": {}}) == ()
    assert keep_of_record({"card": {"keep": ["SLATE/**"]}}) == ("SLATE/**",)
    assert keep_of_record({"card": {"without-kept": ["A.SAV"]}}) == ("A.SAV",)
