"""What is said of each kind of damage, word for word."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from pipeline.volume.placement import label_fault, placement_fault
from pipeline.volume.report import extents_text, finding_lines
from pipeline.volume.source import MOST_OF_A_KIND, Findings
from tests.unit.image.cards import build, plan_of, volume_of
from tests.unit.volume.broken import Volume, cases
from tests.unit.volume.making import by_mkfs, by_us, reading_of

# of our volume: "A long name of it.dat" has clusters 4 to 23, "Another long name.bin" has 25 to 49, SUB 2, SUB/DEEP 3
SAID = {
    "cross-linked": [
        'cross-linked: SUB/DEEP/Another long name.bin: cluster 25 belongs to "A long name of it.dat" too',
        "size: A long name of it.dat: 19,999 bytes take 20 clusters, its chain has 27",
        "lost clusters: 18 clusters are marked as used, but not part of a file or folder; the first is 6",
    ],
    "loop": [
        "loop: A long name of it.dat: its chain loops back to cluster 4",
        "size: A long name of it.dat: 19,999 bytes take 20 clusters, 3 can be followed",
        "lost clusters: 17 clusters are marked as used, but not part of a file or folder; the first is 7",
    ],
    "chain into a free cluster": [
        "chain: A long name of it.dat: its chain runs into cluster 5, which is free",
        "size: A long name of it.dat: 19,999 bytes take 20 clusters, 1 can be followed",
        "lost clusters: 18 clusters are marked as used, but not part of a file or folder; the first is 6",
    ],
    "chain into a bad cluster": [
        "chain: A long name of it.dat: its chain runs into cluster 6, which is marked bad",
        "size: A long name of it.dat: 19,999 bytes take 20 clusters, 2 can be followed",
        "lost clusters: 17 clusters are marked as used, but not part of a file or folder; the first is 7",
    ],
    "lost cluster": ["lost clusters: 1 cluster is marked as used, but not part of a file or folder; the first is LAST"],
    "size a cluster too large": ["size: A long name of it.dat: 21,023 bytes take 21 clusters, its chain has 20"],
    "long name: slot 3 where 1 is due": ["long name: ALONGN~1.DAT: slot 3 follows slot 2"],
    "name there twice": ['duplicate name: ALONGN~1.DAT: "ALONGN~1.DAT" has the name of "A long name of it.dat"'],
    "dot to another cluster": ['dot entries: SUB: "." points to cluster 119, expected 2'],
    "not unmounted": ["dirty: the boot sector marks the volume as not unmounted"],
    "FAT says hardware error": ["hardware error: the FAT marks read or write errors"],
    "label of the boot sector differs": ['label: it is "HELLO" in the root directory, "OTHER" in the boot sector'],
    "blanks as both labels": [
        'label: "" in the boot sector begins with a blank or holds characters that are not allowed',
        'label: "" in the root directory begins with a blank or holds characters that are not allowed',
    ],
    "a label padded with NULs as label of the boot sector": [
        'label: "HELLO" in the boot sector begins with a blank or holds characters that are not allowed',
    ],
    "media byte that is none": [
        "media byte: 0x12 is not F0 or F8 to FF",
        "media byte: the first entry is FFF8, expected FF12 after the media byte",
    ],
    "entry behind the end": ["end mark: slots are in use after the end of the directory"],
    "first FAT differs": [
        "lost clusters: 1 cluster is marked as used, but not part of a file or folder; the first is LAST",
        "FATs differ: FAT 2 differs from FAT 1 in 2 bytes, the first at offset BYTE",
    ],
}


@cache
def ours() -> bytes:
    with TemporaryDirectory() as folder:
        return by_us(Path(folder) / "card.img", 16)


def broken(name: str) -> tuple[bytes, Volume]:
    volume = Volume(ours(), reading_of(ours()))
    data = bytearray(ours())
    for offset, raw in dict(cases(volume))[name]:
        data[offset : offset + len(raw)] = raw
    return bytes(data), volume


@pytest.mark.parametrize("name", SAID)
def test_damage_is_said_word_for_word(name: str) -> None:
    data, volume = broken(name)
    expected = [line.replace("LAST", f"{volume.last:,}").replace("BYTE", f"{volume.last * 2:,}") for line in SAID[name]]

    assert sorted(finding_lines(reading_of(data))) == sorted(expected)


def test_three_fats_are_said(tmp_path: Path) -> None:
    reading = reading_of(by_mkfs(tmp_path / "volume.img", 16, "-f3"))

    assert list(finding_lines(reading)) == ["FATs: 3 copies of the FAT; expected 2, and systems read 1 or 2"]


def test_a_destroyed_boot_sector_of_fat32_is_made_up_for_by_its_copy() -> None:
    with TemporaryDirectory() as folder:
        data = bytearray(by_us(Path(folder) / "card.img", 32))
    whole = reading_of(bytes(data))
    data[:512] = bytes(512)
    reading = reading_of(bytes(data))

    assert reading.items == whole.items
    assert list(finding_lines(reading)) == [
        "boot sector: it cannot be read; its copy in sector 6 was used",
        "backup boot sector: it differs from the boot sector in DIFFERING bytes, the first at offset 0".replace(
            "DIFFERING", str(512 - bytes(data[6 * 512 : 7 * 512]).count(0))
        ),
    ]


def test_many_findings_of_a_kind_are_counted() -> None:
    findings = Findings()
    for number in range(MOST_OF_A_KIND + 7):
        findings.add("name", "bad", offset=number)

    kept = findings.sorted()
    assert len(kept) == MOST_OF_A_KIND + 1
    assert kept[0].what == "and 7 more of this kind"


FILES = {"FIRST.BIN": b"a" * 5000, "SECOND.BIN": b"b" * 5000, "a long one.bin": b"c", "SUB/THIRD.BIN": b"d"}


@pytest.mark.parametrize(
    ("path", "fault"),
    [
        ("FIRST.BIN", ""),
        (
            "SECOND.BIN",
            "SECOND.BIN is the third entry; it must be the first file in one piece: "
            "copy it onto a freshly formatted card before all others, or build the card",
        ),
        (
            "a long one.bin",
            "a long one.bin is the second entry and has a long name; it must be the first file in one piece: "
            "copy it onto a freshly formatted card before all others, or build the card",
        ),
        (
            "SUB/THIRD.BIN",
            "SUB/THIRD.BIN is not in the root directory; it must be the first file in one piece: "
            "copy it onto a freshly formatted card before all others, or build the card",
        ),
    ],
)
def test_a_file_that_must_be_first_is_told_what_it_is_instead(path: str, fault: str, tmp_path: Path) -> None:
    build(plan_of(FILES, volume_of(16), first="FIRST.BIN"), FILES, tmp_path / "card.img")
    reading = reading_of((tmp_path / "card.img").read_bytes())
    item = next(item for item in reading.items if item.path == path)

    assert placement_fault(reading, item, "first") == fault
    assert placement_fault(reading, item, "one-piece") == ""
    assert extents_text(item).startswith("cluster")


@pytest.mark.parametrize(
    ("there", "wanted", "fault"),
    [
        ("second", "second", ""),
        ("second", "first", "the volume label is after the first entry, the board expects it before: "),
        ("second", "none", "the card has a volume label, the board expects none: "),
        ("first", "first", ""),
        ("first", "second", "the volume label is before the first file, the board expects it after: "),
    ],
)
def test_the_place_of_the_label_is_told(there: str, wanted: str, fault: str, tmp_path: Path) -> None:
    build(plan_of(FILES, volume_of(16), first="FIRST.BIN", label_entry=there), FILES, tmp_path / "card.img")
    reading = reading_of((tmp_path / "card.img").read_bytes())

    assert label_fault(reading, wanted) == (f"{fault}build the card" if fault else "")
