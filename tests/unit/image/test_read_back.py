"""The reader notices every difference between plan and image, and survives any damage.

No published vectors exist for such a comparison; each case damages what the specification puts at an offset
(Microsoft FAT32 File System Specification 1.03, 2000) and states the message.
"""

from __future__ import annotations

import errno
import os
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.errors import CheckError, MachineError
from pipeline.image.pyfat import CardVolume
from pipeline.image.read_back import read_back
from pipeline.image.written import Written
from pipeline.model.plan import SECTOR, Entry, Plan
from tests.unit.image.cards import FILES, build, plan_of, sample_plan, volume_of

Damage = Callable[[Plan, Path], None]
ROOT = Path(__file__).parents[3]
HINT = "  hint: build the card again; if it happens again, suspect the disk it is built on"
KINDS = [(bits, partitioned) for bits in (12, 16, 32) for partitioned in (False, True)]


def made(tmp_path: Path, fat_bits: int = 16, *, partitioned: bool = True) -> tuple[Plan, Path, Written]:
    plan = sample_plan(fat_bits, partitioned=partitioned)
    image = tmp_path / "card.img"
    return plan, image, build(plan, FILES, image)


def entry_of(plan: Plan, path: str) -> Entry:
    return next(entry for entry in plan.entries if entry.path == path)


def patch(image: Path, offset: int, data: bytes) -> None:
    with image.open("r+b") as file:
        file.seek(offset)
        file.write(data)


def truncate(image: Path, size: int) -> None:
    with image.open("r+b") as file:
        file.truncate(size)


def flip(image: Path, offset: int, mask: int = 1) -> None:
    with image.open("r+b") as file:
        file.seek(offset)
        byte = file.read(1)[0]
        file.seek(offset)
        file.write(bytes([byte ^ mask]))


def problems(plan: Plan, image: Path, written: Written) -> list[str]:
    """Return the problems the reader tells, without the hint they share and the folder of the image."""
    with pytest.raises(CheckError) as caught:
        read_back(plan, image, written)
    texts = [str(problem) for problem in caught.value.problems]
    assert all(text.endswith("\n" + HINT) for text in texts)
    return [text.removesuffix("\n" + HINT).replace(f"{image.parent}/", "") for text in texts]


@pytest.mark.parametrize(("fat_bits", "partitioned"), KINDS)
def test_a_good_image_is_proven(fat_bits: int, partitioned: bool, tmp_path: Path) -> None:
    plan, image, written = made(tmp_path, fat_bits, partitioned=partitioned)
    steps: list[int] = []

    proof = read_back(plan, image, written, steps.append)

    assert (proof.files, proof.folders, proof.file_bytes) == (6, 3, sum(map(len, FILES.values())))
    assert (proof.image_sha256, proof.image_size) == (written.image_sha256, image.stat().st_size)
    assert proof.reader.startswith("pyfatfs 1.")
    assert sum(steps) == proof.file_bytes


def test_the_reader_shares_no_code_with_the_writer() -> None:
    script = "import sys, pipeline.image.read_back; print(*sorted(name for name in sys.modules if 'pipeline' in name))"
    result = subprocess.run([sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True)
    modules = result.stdout.split()

    assert "pipeline.image.read_back" in modules
    assert not [name for name in modules if name.startswith(("pipeline.fat", "pipeline.card"))]
    assert not {"pipeline.image.write", "pipeline.image.stream"} & set(modules)


def test_an_image_that_is_not_there(tmp_path: Path) -> None:
    plan, image, written = made(tmp_path)
    image.unlink()

    with pytest.raises(MachineError) as caught:
        read_back(plan, image, written)

    assert str(caught.value) == f"{image}: the image cannot be read: {os.strerror(errno.ENOENT)}"


def test_an_image_the_system_fails_to_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plan, image, written = made(tmp_path)

    def fail(*_: object) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(CardVolume, "parse_dir_entries_in_address", fail)
    with pytest.raises(MachineError) as caught:
        read_back(plan, image, written)

    assert str(caught.value) == f"{image}: the image cannot be read: {os.strerror(errno.EIO)}"


def test_missing_extra_and_different_are_told_apart(tmp_path: Path) -> None:
    plan, image, written = made(tmp_path)
    owl = replace(entry_of(plan, "EMPTY.TXT"), path="GOODS/MOTH/OWL.TXT", short="OWL.TXT")
    entries = [entry for entry in plan.entries if entry.path != "EMPTY.TXT"]
    moth = entry_of(plan, "GOODS/MOTH/MOTH.ROM")
    entries[entries.index(moth)] = replace(moth, size=moth.size - 1)

    assert problems(replace(plan, entries=(*entries, owl)), image, written) == [
        "EMPTY.TXT: is there; the plan does not have it",
        "GOODS/MOTH/MOTH.ROM: its size in bytes is 16,384; expected 16,383",
        "GOODS/MOTH/OWL.TXT: is missing; the plan has it",
    ]


def test_order_in_the_folder(tmp_path: Path) -> None:
    plan, image, written = made(tmp_path)
    moth = entry_of(plan, "GOODS/MOTH/MOTH.ROM")
    others = tuple(entry for entry in plan.entries if entry is not moth)

    assert problems(replace(plan, entries=(*others, moth)), image, written) == [
        'GOODS/MOTH/日本語のなまえ.bin: entry 3 of "GOODS/MOTH" is "MOTH.ROM"; expected "日本語のなまえ.bin"'
    ]


def test_label_before_or_after_the_first_file(tmp_path: Path) -> None:
    plan, image, written = made(tmp_path)

    assert problems(replace(plan, label_entry="first"), image, written) == [
        'volume label "DESK": entry 1 of the root directory is "FIRST.BIN"; expected "DESK"'
    ]


def in_slot(path: str, offset: int, data: bytes) -> Damage:
    """Overwrite bytes of a directory entry, or of the slots of its long name before it."""

    def damage(plan: Plan, image: Path) -> None:
        stem, _, extension = entry_of(plan, path).short.partition(".")
        patch(image, find(image, f"{stem:8}{extension:3}".encode()) + offset, data)

    return damage


def find(image: Path, name: bytes) -> int:
    """Return the offset of the only directory entry that begins so."""
    content = image.read_bytes()
    assert content.count(name) == 1
    return content.index(name)


def in_boot(offset: int, data: bytes) -> Damage:
    """Overwrite bytes of the boot sector."""
    return lambda plan, image: patch(image, plan.volume.start * SECTOR + offset, data)


def in_fats(cluster: int, value: bytes, copies: tuple[int, ...] = (0, 1)) -> Damage:
    """Overwrite an entry of the FAT16 in one or both copies."""

    def damage(plan: Plan, image: Path) -> None:
        for copy in copies:
            start = plan.volume.fat_start + copy * plan.volume.fat_sectors
            patch(image, start * SECTOR + cluster * 2, value)

    return damage


def in_file(path: str, offset: int) -> Damage:
    """Flip a bit of a file's content."""
    return lambda plan, image: flip(image, plan.volume.cluster_offset(entry_of(plan, path).cluster) + offset)


MOTH, KANA = "GOODS/MOTH/MOTH.ROM", "GOODS/MOTH/日本語のなまえ.bin"
LONG = "A long name with Grüße.txt"

DAMAGES: dict[str, tuple[Damage, list[str]]] = {
    "second FAT": (
        in_fats(300, b"\1\0", copies=(1,)),
        ["card.img: pyfatfs warns: One or more FATs differ, filesystem most likely corrupted. Using first FAT."],
    ),
    "lost cluster": (
        in_fats(300, b"\xff\xff"),
        ["card.img: cluster 300 is in use, but belongs to no file of the plan; expected it free"],
    ),
    "volume marked dirty": (
        in_fats(1, b"\xff\x7f"),
        [
            "card.img: pyfatfs warns: Filesystem was not cleanly unmounted on last access. Check for data corruption.",
            "card.img: the first two entries of the FAT are 0xfff8 0x7fff; expected 0xfff8 0xffff",
        ],
    ),
    "chain in a loop": (
        in_fats(3, b"\2\0"),
        ["FIRST.BIN: after cluster 3 its chain goes on with 0x2; expected 0x4"],
    ),
    "content": (in_file("GOODS/SNAIL.ROM", 511), ["GOODS/SNAIL.ROM: its SHA-256 is ?; expected ?"]),
    "short name": (
        in_slot(MOTH, 0, b"M0TH"),
        [
            "GOODS/MOTH/M0TH.ROM: is there; the plan does not have it",
            "GOODS/MOTH/MOTH.ROM: is missing; the plan has it",
        ],
    ),
    "attributes": (in_slot(MOTH, 11, b"\x27"), ["GOODS/MOTH/MOTH.ROM: its attributes are 0x27; expected 0x20"]),
    "case bits": (in_slot(MOTH, 12, b"\x08"), ["GOODS/MOTH/MOTH.ROM: its reserved bytes are (8, 0); expected (0, 0)"]),
    "creation": (
        in_slot(MOTH, 16, b"\x21\0"),
        ["GOODS/MOTH/MOTH.ROM: its time of creation is 1980-01-01 20:13:58; expected 2026-11-25 20:13:58"],
    ),
    "access": (
        in_slot(MOTH, 18, b"\0\0"),
        ["GOODS/MOTH/MOTH.ROM: its day of access is 1980-00-00; expected 2026-11-25"],
    ),
    "time": (
        in_slot(MOTH, 22, b"\xff\xff"),
        ["GOODS/MOTH/MOTH.ROM: its time of writing is 2026-11-25 31:63:62; expected 2026-11-25 20:13:58"],
    ),
    "size": (
        in_slot(MOTH, 28, b"\xff\xff\xff\xff"),
        ["GOODS/MOTH/MOTH.ROM: its size in bytes is 4,294,967,295; expected 16,384"],
    ),
    "first cluster": (in_slot(MOTH, 26, b"\2\0"), ["GOODS/MOTH/MOTH.ROM: its first cluster is 2; expected 79"]),
    "long name": (
        in_slot(LONG, -31, b"B"),
        [
            f"{LONG}: is missing; the plan has it",
            f"B{LONG[1:]}: is there; the plan does not have it",
        ],
    ),
    "checksum of a long name": (
        in_slot(LONG, -32 + 13, b"\0"),
        [
            "card.img: pyfatfs warns: Broken LFN entry detected, omitting long file name.",
            f"{LONG}: is missing; the plan has it",
            "ALONGN~1.TXT: is there; the plan does not have it",
        ],
    ),
    "order of a long name": (
        in_slot(KANA, -32, b"\x43"),
        [f"{KANA}: its long name is damaged; expected whole"],
    ),
    "type of a long name": (
        in_slot(KANA, -32 + 12, b"\1"),
        [f"{KANA}: its long name is damaged; expected whole"],
    ),
    "cluster of a long name": (
        in_slot(LONG, -32 + 26, b"\1"),
        [
            "/: pyfatfs cannot read it: PyFATException: Given LFN entry has an invalid first cluster ID, "
            "don't know what to do."
        ],
    ),
    "deleted": (in_slot(MOTH, 0, b"\xe5"), ["GOODS/MOTH/MOTH.ROM: is missing; the plan has it"]),
    "one name twice": (
        lambda plan, image: patch(image, find(image, b"EMPTY   TXT"), b"FIRST   BIN"),
        [
            "EMPTY.TXT: is missing; the plan has it",
            "FIRST.BIN: is there more than once; expected once",
            "FIRST.BIN: its first cluster is 0; expected 2",
            "FIRST.BIN: its size in bytes is 0; expected 5,000",
        ],
    ),
    "label entry": (
        lambda plan, image: patch(image, find(image, b"DESK       \x08"), b"DUSK"),
        [
            'volume label "DESK": is missing; the plan has it',
            'volume label "DUSK": is there; the plan does not have it',
        ],
    ),
    "label of the boot sector": (
        in_boot(43, b"DUSK"),
        ["card.img: BS_VolLab of the boot sector is 'DUSK       '; expected 'DESK       '"],
    ),
    "serial": (in_boot(39, b"\0\0\0\0"), ["card.img: BS_VolID of the boot sector is 0; expected 305,441,741"]),
    "sectors": (in_boot(32, b"\xff" * 4), ["card.img: BPB_TotSec32 of the boot sector is 4,294,967,295; expected 0"]),
    "boot code": (in_boot(100, b"\x90"), ["card.img: the boot sector has 0x90 at byte 100; expected 0x00"]),
    "signature": (in_boot(510, b"\0"), ["card.img: the boot sector has 0x00 at byte 510; expected 0x55"]),
    "partition type": (
        lambda plan, image: patch(image, 450, b"\x0c"),
        ["card.img: type of the partition is 12; expected 4"],
    ),
    "second partition": (
        lambda plan, image: patch(image, 462, b"\x80"),
        ["card.img: the partition table has 0x80 at byte 462; expected 0x00"],
    ),
    "cut short": (
        lambda plan, image: truncate(image, 512),
        ["card.img: the image has 512 bytes, 8,388,608 were written; expected 8,388,608"],
    ),
}


@pytest.mark.parametrize("name", DAMAGES)
def test_damage_is_noticed_and_named(name: str, tmp_path: Path) -> None:
    damage, told = DAMAGES[name]
    plan, image, written = made(tmp_path)
    damage(plan, image)

    assert [re.sub(r"[0-9a-f]{64}", "?", text) for text in problems(plan, image, written)] == told


def test_a_folder_in_a_loop(tmp_path: Path) -> None:
    plan, image, written = made(tmp_path)
    in_slot("GOODS/MOTH", 26, entry_of(plan, "GOODS").cluster.to_bytes(2, "little"))(plan, image)

    assert problems(plan, image, written) == ["GOODS/MOTH: its first cluster is 8; expected 9"]


def test_the_root_directory_of_fat32_in_a_loop(tmp_path: Path) -> None:
    plan, image, written = made(tmp_path, 32)
    for copy in (0, 1):
        patch(image, (plan.volume.fat_start + copy * plan.volume.fat_sectors) * SECTOR + 8, b"\2\0\0\0")

    assert problems(plan, image, written) == ["/: after cluster 2 its chain goes on with 0x2; expected 0xfffffff"]


@pytest.mark.parametrize(
    ("sector", "told"),
    [
        (1, "sector 1 of the volume, FSInfo, has 0x3e at byte 489; expected 0x3f"),
        (2, "sector 2 of the volume has 0x01 at byte 489; expected 0x00"),
        (6, "sector 6 of the volume, a copy of the boot sector, has 0x01 at byte 489; expected 0x00"),
        (7, "sector 7 of the volume, a copy of FSInfo, has 0x3e at byte 489; expected 0x3f"),
    ],
)
def test_the_sectors_after_a_fat32_boot_sector(sector: int, told: str, tmp_path: Path) -> None:
    plan, image, written = made(tmp_path, 32)
    flip(image, (plan.volume.start + sector) * SECTOR + 489)

    assert problems(plan, image, written) == [f"card.img: {told}"]


def test_flipped_bits_are_noticed_but_where_nobody_reads(tmp_path: Path) -> None:
    check_flips(tmp_path, read_step=7, unread_step=97)


@pytest.mark.long
def test_every_byte_is_noticed_but_where_nobody_reads(tmp_path: Path) -> None:
    check_flips(tmp_path, read_step=1, unread_step=1)


def check_flips(tmp_path: Path, *, read_step: int, unread_step: int) -> None:
    """Flip a bit in bytes of a card up to the end of its last file; what is excused is all that is excused."""
    volume = volume_of(12, size=160 * SECTOR)
    files = {"FIRST.BIN": b"first" * 100, "A longer name.txt": b"x" * 700, "GOODS/MOTH.ROM": b"y" * 30}
    plan = plan_of(files, volume, first="FIRST.BIN")
    image = tmp_path / "card.img"
    written = build(plan, files, image)
    end = max(volume.cluster_offset(entry.cluster + entry.clusters) for entry in plan.entries)
    excused = set(unread(plan))
    read = [offset for offset in (*range(SECTOR), *range(volume.start * SECTOR, end)) if offset not in excused]

    unnoticed = []
    tried = [*read[::read_step], *sorted(excused)[::unread_step]]
    for offset in tried:
        flip(image, offset, 1 << offset % 8)
        try:
            read_back(plan, image, written)
            unnoticed.append(offset)
        except CheckError:
            pass
        flip(image, offset, 1 << offset % 8)

    assert unnoticed == [offset for offset in tried if offset in excused]


def unread(plan: Plan) -> Iterator[int]:
    """Yield the offsets of the sample card that no reader reads: CHS, and what fills up directories and clusters."""
    volume = plan.volume
    yield from (446 + 1, 446 + 2, 446 + 3, 446 + 5, 446 + 6, 446 + 7)
    used = {"": 1 + 1 + 2 + 1 + 1, "GOODS": 2 + 1}  # slots: file, label, long name, its own; dots
    root_end = volume.data_start * SECTOR
    yield from range(volume.root_start * SECTOR + used[""] * 32 + 1, root_end)  # a slot that begins with 0 ends it
    for entry in plan.entries:
        start, end = (volume.cluster_offset(cluster) for cluster in (entry.cluster, entry.cluster + entry.clusters))
        length = used[entry.path] * 32 + 1 if entry.is_folder else entry.size
        yield from range(start + length, end)
