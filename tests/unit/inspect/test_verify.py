"""Verifying: every flipped bit is noticed and told of the right owner; what a desktop does to a card is no damage."""

from __future__ import annotations

import errno
import random
import struct
import subprocess
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from pipeline.fat.names import checksum
from pipeline.inspect.planned_image import CardImage
from pipeline.inspect.user_files import Yours
from pipeline.inspect.verify import DAMAGED, GOOD, HALF_WRITTEN, OTHER, TOUCHED, Damage, Verification, verify_image
from pipeline.model.plan import Plan
from tests.strangers.tools import require
from tests.unit.image import cards

FILES = {"FIRST.BIN": b"first" * 300, "A long name.txt": b"x" * 1500, "GOODS/SNAIL.ROM": bytes(range(256)) * 4}
RANGES = [
    {"start": 0, "end": 512, "from": ["chip a1"]},
    {"start": 512, "end": 1024, "from": ["chip b1, interleave", "chip c1, interleave"]},
]


@dataclass(frozen=True)
class Card:
    """A card in memory with what its plan and record say."""

    plan: Plan
    record: Mapping[str, Any]
    data: bytes
    scratch: bytearray

    def verify(self, data: bytes | bytearray, reference: bool = False, keep: tuple[str, ...] = ()) -> Verification:
        whole = CardImage(0, len(self.data), reader=reader(self.data)) if reference else None
        return verify_image(CardImage(0, len(data), reader=reader(data)), self.plan, self.record, whole, keep)

    def flipped(self, offset: int, bit: int = 0) -> bytearray:
        data = bytearray(self.data)
        data[offset] ^= 1 << bit
        return data


def reader(data: bytes | bytearray) -> Callable[[int, int, int], bytes]:
    return lambda _, offset, length: bytes(data[offset : offset + length])


def card_of(
    folder: Path, fat_bits: int, *, size: int = 0, partitioned: bool = True, files: Mapping[str, bytes] = FILES
) -> Card:
    plan = cards.plan_of(files, cards.volume_of(fat_bits, partitioned=partitioned, size=size), first="FIRST.BIN")
    cards.build(plan, files, folder / "card.img")
    made = {"kind": "rom-file", "owner": "snail-race", "contents": [], "steps": [], "ranges": RANGES}
    record = {
        "card": {"id": "desk"},
        "files": [
            {
                "path": entry.path, "size": entry.size, "sha256": entry.sha256,
                "placement": "first" if entry.path == "FIRST.BIN" else "anywhere",
                "made-from": made if entry.path == "GOODS/SNAIL.ROM" else {"kind": "card-file", "owner": "desk"},
            }
            for entry in plan.entries if not entry.is_folder
        ],
    }  # fmt: skip
    data = (folder / "card.img").read_bytes()
    return Card(plan, record, data, bytearray(data))


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Card:
    return card_of(tmp_path_factory.mktemp("small"), 12)


@pytest.fixture(scope="module")
def wide(tmp_path_factory: pytest.TempPathFactory) -> Card:
    return card_of(tmp_path_factory.mktemp("wide"), 32)


def owner_of(plan: Plan, offset: int) -> str:
    """Return whose a byte is, worked out from the plan's numbers alone; "" for free space."""
    volume, sector = plan.volume, offset // 512
    if sector < volume.start:
        return "partition table" if sector == 0 else "before the volume"
    if sector < volume.fat_start:
        wide = {0: "boot sector", 1: "FSInfo", 6: "backup boot sector", 7: "backup FSInfo"}
        return (wide if volume.fat_bits == 32 else {0: "boot sector"}).get(sector - volume.start, "reserved sectors")
    if sector < volume.root_start:
        return f"FAT {1 + (sector - volume.fat_start) // volume.fat_sectors}"
    if sector < volume.data_start:
        return "root directory"
    cluster = 2 + (sector - volume.data_start) // volume.sectors_per_cluster
    if cluster < 2 + plan.root_clusters:
        return "root directory"
    for entry in plan.entries:
        if entry.cluster <= cluster < entry.cluster + entry.clusters:
            behind = not entry.is_folder and offset - volume.cluster_offset(entry.cluster) >= entry.size
            return f"after the end of {entry.path}" if behind else entry.path
    return ""


def used(plan: Plan) -> int:
    return plan.volume.cluster_offset(max(entry.cluster + entry.clusters for entry in plan.entries))


def check_flip(card: Card, offset: int, bit: int) -> None:
    owner = owner_of(card.plan, offset)
    card.scratch[offset] ^= 1 << bit
    verdict = card.verify(card.scratch)
    card.scratch[offset] ^= 1 << bit
    if not owner:
        assert verdict.verdict == GOOD
        return
    assert verdict.verdict in (DAMAGED, TOUCHED), (offset, bit, owner)
    told = {damage.path for damage in verdict.damages}
    told |= {
        damage.path.rpartition("/")[0] or "root directory"
        for damage in verdict.damages
        if damage.path and damage.what.startswith(("directory entry: ", "its attributes are "))
    }
    told |= {damage.what.partition(":")[0] for damage in verdict.damages}
    told |= {line.partition(":")[0] for line in verdict.touched}
    assert owner in told, (offset, bit, owner, verdict)


def test_a_card_as_built_is_good(small: Card, wide: Card) -> None:
    assert [card.verify(card.data).verdict for card in (small, wide)] == [GOOD, GOOD]


def test_flipped_bits_are_noticed_and_told_of_their_owner(small: Card) -> None:
    chance = random.Random(1)
    ends = [0, small.plan.volume.start * 512, small.plan.volume.fat_start * 512, small.plan.volume.root_start * 512]
    ends += [small.plan.volume.data_start * 512, used(small.plan)]
    for start, end in pairwise(ends):
        for _ in range(30):
            check_flip(small, chance.randrange(start, end), chance.randrange(8))


def test_flipped_bits_in_a_wide_card_too(wide: Card) -> None:
    chance = random.Random(2)
    for start in (0, wide.plan.volume.start * 512, wide.plan.volume.fat_start * 512, used(wide.plan) - 6000):
        for _ in range(3):
            check_flip(wide, start + chance.randrange(3 * 512), chance.randrange(8))


@pytest.mark.long
def test_every_bit_of_a_small_card(tmp_path: Path) -> None:
    card = card_of(tmp_path, 12, size=64 << 10, partitioned=False)
    for offset in range(used(card.plan)):
        for bit in range(8):
            check_flip(card, offset, bit)


@pytest.mark.long
def test_ten_thousand_bits_of_a_big_card(tmp_path: Path) -> None:
    chance = random.Random(3)
    files = {f"Folder {n % 7}/File number {n}.bin": chance.randbytes(chance.randrange(40_000)) for n in range(120)}
    card = card_of(tmp_path, 16, size=64 << 20, files={**FILES, **files})
    for _ in range(10_000):
        check_flip(card, chance.randrange(used(card.plan)), chance.randrange(8))


def test_a_damaged_rom_file_is_told_by_title_and_chip(small: Card) -> None:
    rom = next(entry for entry in small.plan.entries if entry.path == "GOODS/SNAIL.ROM")
    at = small.plan.volume.cluster_offset(rom.cluster) + 600
    (damage,) = small.verify(small.flipped(at), reference=True).damages
    assert (damage.path, damage.title, damage.chips) == (rom.path, "snail-race", ("chip b1", "chip c1"))
    assert (damage.what, damage.offset) == ("1 byte differs, at offset 0x0258", at)


def test_sectors_that_cannot_be_read_are_told_with_their_owner(small: Card) -> None:
    rom = next(entry for entry in small.plan.entries if entry.path == "GOODS/SNAIL.ROM")
    bad = range(small.plan.volume.cluster_offset(rom.cluster), small.plan.volume.cluster_offset(rom.cluster) + 512)

    def read(_: int, offset: int, length: int) -> bytes:
        if offset < bad.stop and offset + length > bad.start:
            raise OSError(errno.EIO, "Input/output error")
        return small.data[offset : offset + length]

    verdict = verify_image(CardImage(0, len(small.data), reader=read), small.plan, small.record)
    assert verdict.verdict == DAMAGED
    assert verdict.unreadable == ((bad.start, bad.stop, "GOODS/SNAIL.ROM"),)
    assert [damage.path for damage in verdict.damages] == ["GOODS/SNAIL.ROM"]


def test_files_a_desktop_leaves_behind_are_no_damage(tmp_path: Path) -> None:
    # mtools is a stranger to our writer: it adds entries, FAT chains and FSInfo counts of its own
    for fat_bits in (12, 16, 32):
        folder = tmp_path / str(fat_bits)
        folder.mkdir()
        card = card_of(folder, fat_bits)
        where = f"{folder / 'card.img'}@@{card.plan.volume.start * 512}"
        (folder / "note").write_bytes(b"n" * 3000)
        for name in ("::/.DS_Store", "::/GOODS/MINE.SAV"):
            subprocess.run([require("mcopy"), "-i", where, str(folder / "note"), name], check=True)
        verdict = card.verify((folder / "card.img").read_bytes())
        assert (verdict.verdict, verdict.damages) == (TOUCHED, ())
        assert (verdict.litter, verdict.others) == ((".DS_Store",), ("GOODS/MINE.SAV",))
        subprocess.run([require("mdel"), "-i", where, "::/.DS_Store", "::/GOODS/MINE.SAV"], check=True)
        verdict = card.verify((folder / "card.img").read_bytes())
        assert (verdict.verdict, verdict.damages, verdict.others) == (TOUCHED, (), ())


SAVED = {
    **FILES, "SLATE/ONE.DAT": b"1" * 2000, "SLATE/TWO.DAT": b"2" * 9000, "SLATE/DEEP/THREE.DAT": b"3" * 100,
    "HIGH.SCO": b"h" * 40,
}  # fmt: skip
KEEP = ("SLATE/**", "HIGH.SCO")


@pytest.mark.parametrize("fat_bits", [12, 16, 32])
def test_what_the_user_did_with_files_of_their_own_is_no_damage(tmp_path: Path, fat_bits: int) -> None:
    """mtools stands for the board: it changes, adds and removes saves, which moves clusters and entries about."""
    card = card_of(tmp_path, fat_bits, files=SAVED)
    where = f"{tmp_path / 'card.img'}@@{card.plan.volume.start * 512}"
    (tmp_path / "save").write_bytes(b"s" * 5000)

    def mtools(*words: str) -> Verification:
        subprocess.run([require(words[0]), "-i", where, *words[1:]], check=True)
        return card.verify((tmp_path / "card.img").read_bytes(), keep=KEEP)

    save = str(tmp_path / "save")
    verdict = mtools("mcopy", "-o", save, "::/SLATE/ONE.DAT")
    assert (verdict.verdict, verdict.damages) == (TOUCHED, ())
    assert verdict.yours == Yours(changed=("SLATE/ONE.DAT",))
    assert str(mtools("mcopy", save, "::/SLATE/NEW.DAT").yours) == "1 changed, 1 new"
    mtools("mcopy", save, "::/SLATE/.DS_Store")
    mtools("mcopy", "-o", save, "::/HIGH.SCO")
    mtools("mdel", "::/SLATE/TWO.DAT")
    verdict = mtools("mdeltree", "::/SLATE/DEEP")
    assert (verdict.verdict, verdict.damages, verdict.others) == (TOUCHED, (), ())
    assert verdict.litter == ("SLATE/.DS_Store",)
    assert verdict.yours == Yours(
        changed=("HIGH.SCO", "SLATE/ONE.DAT"),
        new=("SLATE/NEW.DAT",),
        removed=("SLATE/DEEP/THREE.DAT", "SLATE/TWO.DAT"),
    )
    assert mtools("mdeltree", "::/SLATE").damages == ()
    assert card.verify((tmp_path / "card.img").read_bytes()).verdict == DAMAGED  # where nothing is the user's


def test_damage_beside_the_files_of_the_user_is_told_all_the_same(tmp_path: Path) -> None:
    card = card_of(tmp_path, 16, files=SAVED)
    where = f"{tmp_path / 'card.img'}@@{card.plan.volume.start * 512}"
    (tmp_path / "save").write_bytes(b"s" * 50_000)
    subprocess.run([require("mcopy"), "-o", "-i", where, str(tmp_path / "save"), "::/SLATE/ONE.DAT"], check=True)
    data = bytearray((tmp_path / "card.img").read_bytes())
    rom = next(entry for entry in card.plan.entries if entry.path == "GOODS/SNAIL.ROM")
    data[card.plan.volume.cluster_offset(rom.cluster) + 5] ^= 1
    verdict = card.verify(data, keep=KEEP)
    assert (verdict.verdict, verdict.yours) == (DAMAGED, Yours(changed=("SLATE/ONE.DAT",)))
    assert [damage.path for damage in verdict.damages if not damage.structure] == ["GOODS/SNAIL.ROM"]


@pytest.mark.parametrize("fat_bits", [12, 16, 32])
def test_a_card_that_was_written_halfway_says_so(tmp_path: Path, fat_bits: int) -> None:
    card = card_of(tmp_path, fat_bits)
    assert card.verify(bytes(4096) + card.data[4096:]).verdict == HALF_WRITTEN


def entry_of(card: Card, short: bytes) -> int:
    """Return where a directory entry begins by its 11 bytes."""
    return card.data.index(short, card.plan.volume.root_start * 512)


def test_the_reason_comes_before_what_follows_from_it(tmp_path: Path) -> None:
    """A file made read-only, and one added: many entries of the FATs differ, and none of them is damaged."""
    card = card_of(tmp_path, 16)
    where = f"{tmp_path / 'card.img'}@@{card.plan.volume.start * 512}"
    (tmp_path / "save").write_bytes(b"s" * 60_000)
    subprocess.run([require("mcopy"), "-i", where, str(tmp_path / "save"), "::/GOODS/MINE.SAV"], check=True)
    subprocess.run([require("mattrib"), "-i", where, "+r", "::/GOODS/SNAIL.ROM"], check=True)
    verdict = card.verify((tmp_path / "card.img").read_bytes())

    at = card.plan.volume.cluster_offset(next(entry.cluster for entry in card.plan.entries if entry.path == "GOODS"))
    assert (verdict.verdict, verdict.others) == (DAMAGED, ("GOODS/MINE.SAV",))
    assert verdict.damages == (
        Damage(
            path="GOODS/SNAIL.ROM",
            what="its attributes are read-only, archive; expected archive",
            offset=at + 64,
        ),
    )


def test_entries_of_fats_come_last(tmp_path: Path) -> None:
    card = card_of(tmp_path, 16)
    data = bytearray(card.data)
    data[entry_of(card, b"GOODS      ") + 28] = 1  # a folder has no size
    data[card.plan.volume.fat_start * 512 + 60] ^= 1
    whats = [damage.what for damage in card.verify(data).damages]

    assert whats[-2:] == ["directory entry: size", "FAT 1: entry of cluster 30 (free)"]


def test_a_new_short_name_of_an_unchanged_file_is_no_damage(tmp_path: Path) -> None:
    """fsck.fat finds nothing wrong with the volume; a file without a long name has no other name to be found by."""
    card = card_of(tmp_path, 16, partitioned=False)
    entry = entry_of(card, b"ALONGN~1TXT")
    data = bytearray(card.data)
    data[entry : entry + 11] = b"ALONGN~2TXT"
    for slot in (entry - 64, entry - 32):
        data[slot + 13] = checksum(b"ALONGN~2TXT")
    (tmp_path / "renamed.img").write_bytes(data)
    assert subprocess.run([require("fsck.fat"), "-n", str(tmp_path / "renamed.img")], check=False).returncode == 0
    verdict = card.verify(data)
    assert (verdict.verdict, verdict.damages) == (TOUCHED, ())
    assert verdict.touched == (
        "root directory: checksum of A long name.txt", "root directory: name of A long name.txt",
    )  # fmt: skip

    data = bytearray(card.data)
    entry = entry_of(card, b"FIRST   BIN")
    data[entry : entry + 11] = b"FIRSTX  BIN"
    assert card.verify(data).verdict == DAMAGED


def test_of_an_entry_only_times_and_the_archive_bit_may_change(small: Card) -> None:
    """Bytes 13 to 19 and 22 to 25 hold times, 20 and 21 a part of the cluster that only FAT32 has.

    Source: Microsoft FAT32 File System Specification 1.03 (2000), "FAT Directory Structure". That systems change times
    and the archive bit of a card that is merely used is common practice.
    """
    entry = entry_of(small, b"FIRST   BIN")
    for at in range(32):
        for bit in range(8):
            may_change = at in range(13, 26) or (at == 11 and bit == 5)
            verdict = small.verify(small.flipped(entry + at, bit)).verdict
            assert verdict == (TOUCHED if may_change else DAMAGED), (at, bit)


def test_a_stale_free_count_is_no_damage_and_an_impossible_one_is(wide: Card) -> None:
    """Microsoft FAT32 File System Specification 1.03 (2000), FSI_Free_Count: "not necessarily correct"."""
    at = (wide.plan.volume.start + 1) * 512
    clusters = wide.plan.volume.clusters
    for free, following, damages in (
        (7, 100, ()),
        (0xFFFFFFFF, 0xFFFFFFFF, ()),
        (clusters, clusters + 1, ()),
        (clusters + 1, 100, ("FSInfo: free clusters", "FSInfo: next free cluster")),
        (7, clusters + 2, ("FSInfo: free clusters", "FSInfo: next free cluster")),
        (7, 1, ("FSInfo: free clusters", "FSInfo: next free cluster")),
    ):
        data = bytearray(wide.data)
        data[at + 488 : at + 496] = struct.pack("<II", free, following)
        verdict = wide.verify(data)
        assert tuple(damage.what for damage in verdict.damages) == damages
        assert verdict.verdict == (DAMAGED if damages else TOUCHED)


def test_a_file_written_over_by_another_is_damage(tmp_path: Path) -> None:
    card = card_of(tmp_path, 16)
    where = f"{tmp_path / 'card.img'}@@{card.plan.volume.start * 512}"
    (tmp_path / "note").write_bytes(b"n" * 3000)
    subprocess.run([require("mcopy"), "-o", "-i", where, str(tmp_path / "note"), "::/FIRST.BIN"], check=True)
    verdict = card.verify((tmp_path / "card.img").read_bytes())
    assert verdict.verdict == DAMAGED
    assert {damage.path for damage in verdict.damages} >= {"FIRST.BIN"}


def test_the_dirty_bit_is_told_apart(wide: Card) -> None:
    # Microsoft FAT32 File System Specification 1.03 has no such bit in the boot sector; Linux sets bit 0 of byte 65
    # there (fs/fat/inode.c, fat_set_state)
    verdict = wide.verify(wide.flipped(wide.plan.volume.start * 512 + 65))
    assert (verdict.verdict, verdict.damages, verdict.touched) == (TOUCHED, (), ("boot sector: dirty bit",))


def test_another_card_is_not_this_card(small: Card, tmp_path: Path) -> None:
    other = card_of(tmp_path, 12, files={"OTHER.BIN": b"o" * 4000})
    assert small.verify(other.data).verdict == OTHER
    assert small.verify(bytes(len(small.data))).verdict == OTHER


def test_a_card_cut_short_is_damaged(wide: Card) -> None:
    data = wide.data[: used(wide.plan)]
    verdict = wide.verify(data)
    assert verdict.verdict == DAMAGED
    assert verdict.damages[0].what == f"it has {len(data):,} bytes, expected {len(wide.data):,}"


@pytest.mark.parametrize("fat_bits", [12, 16])
def test_noise_over_any_part_gets_a_verdict(tmp_path: Path, fat_bits: int) -> None:
    card = card_of(tmp_path, fat_bits)
    chance = random.Random(fat_bits)
    end = used(card.plan)
    for _ in range(60):
        data = bytearray(card.data)
        for _ in range(chance.randrange(1, 4)):
            start, length = chance.randrange(end), chance.choice((4, 32, 512, 5000))
            data[start : start + length] = chance.randbytes(len(data[start : start + length]))
        verdict = card.verify(data)
        assert verdict.verdict in (DAMAGED, OTHER)
        assert verdict.verdict == OTHER or verdict.damages
