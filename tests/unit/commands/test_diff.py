"""``doit diff``: what is told of two cards, and that nothing is left out of it."""

from __future__ import annotations

import json
import os
import random
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from pipeline.commands.diff import Diff
from pipeline.errors import MachineError
from pipeline.inspect.diff import diff
from pipeline.inspect.open_target import OpenTarget, opened_target
from pipeline.record.fields import Naming, region_at
from pipeline.record.regions import regions_of
from tests.strangers.tools import require
from tests.support.building import build_card_in, workspace_in
from tests.support.cli import doit, own_command, within
from tests.support.small import CARD, CHIP_B, CORE, ROM, TITLE, sha, small_project
from tests.unit.image import cards

CHIP_C = b"\5" * 1024


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a project whose card was built, changed and built again; the first build lies in ``before``."""
    folder = small_project(tmp_path_factory.mktemp("diff"))
    assert doit(folder).code == 0
    shutil.copytree(folder / "build/cards/desk", folder / "before")
    changes: dict[str, str | bytes] = {
        "inputs/cores/fern.toml": CORE.replace('release = "1.0"', 'release = "1.1"').replace("regional", "standard"),
        "inputs/titles/snail-race.toml": TITLE.replace(sha(CHIP_B), sha(CHIP_C)).replace(
            f'sha256 = "{sha(ROM)}"\n', ""
        ),
        "inputs/files/attic/new.bin": CHIP_C,
        "inputs/files/notes.txt": b"n" * 720,
        "inputs/cards/desk.toml": CARD + '[[files]]\npath = "READ.ME"\nfrom = "files/notes.txt"\n',
    }
    small_project(folder, changes)
    assert doit(folder).code == 0
    return folder


def test_two_records_tell_what_changed_and_why(built: Path) -> None:
    ran = own_command(built, "diff", "before/record.json", "desk")
    lines = ran.out.splitlines()
    assert ran.code == 1
    assert lines[:2] == ["old  before/record.json", "new  build/cards/desk/record.json"]
    start = lines.index("files")
    assert lines[start : lines.index("image")] == [
        "files",
        "  changed  BENCH.SET, 49 bytes",
        "      [words] form: 1 -> 0",
        "  changed  GOODS/FERN/SNAIL.ROM, 2 KiB",
        "      chip b1 changed: range 0x0400-0x07FF",
        "  added    READ.ME, 720 bytes",
    ]
    assert "  changed  fern: release: 1.0 -> 1.1" in lines[:start]


def test_a_card_and_its_image_are_equal(built: Path) -> None:
    ran = own_command(built, "diff", "desk", "build/cards/desk/card.img")
    assert (ran.code, ran.out.splitlines()[-1], ran.err) == (0, "equal", "")


def test_a_card_and_its_mounted_folder_are_equal(built: Path) -> None:
    folder = built / "mounted"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    reading = json.loads((built / "build/cards/desk/plan.json").read_bytes())
    offset = reading["volume"]["start"] * 512
    image = str(built / "build/cards/desk/card.img")
    subprocess.run([require("mcopy"), "-s", "-i", f"{image}@@{offset}", "::*", str(folder)], check=True)
    ran = own_command(built, "diff", "desk", "mounted")
    assert (ran.code, ran.out.splitlines()[-1]) == (0, "equal")


def test_two_images_tell_their_bytes_and_cmp_counts_the_same(built: Path) -> None:
    # GNU diffutils manual, "Options to cmp": -l prints a line for each differing byte
    images = ["before/card.img", "build/cards/desk/card.img"]
    ran = own_command(built, "diff", "--json", *images)
    document = json.loads(ran.out)
    listed = subprocess.run([require("cmp"), "-l", *images], cwd=built, capture_output=True, text=True, check=False)
    theirs = listed.stdout.splitlines()
    assert (ran.code, listed.returncode) == (1, 1)
    assert sum(one["count"] for one in document["bytes"]) == len(theirs)
    because = {change["name"]: change["because"] for change in document["changes"]}
    assert because["GOODS/FERN/SNAIL.ROM"] == [f"{differing():,} bytes changed, the first at 0x0400"]
    assert min(one["first"] for one in document["bytes"]) == int(theirs[0].split()[0]) - 1
    assert {change["name"] for change in document["changes"] if change["group"] == "files"} == {
        "BENCH.SET", "READ.ME", "GOODS/FERN/SNAIL.ROM",
    }  # fmt: skip


def differing() -> int:
    """Return how many bytes of the second chip are others, and its first one is."""
    assert CHIP_B[0] != CHIP_C[0]
    return sum(one != other for one, other in zip(CHIP_B, CHIP_C, strict=True))


def test_brief_is_a_line_for_each_kind(built: Path) -> None:
    ran = own_command(built, "diff", "--brief", "before/card.img", "build/cards/desk/card.img")
    assert ran.out.splitlines()[2] == "files: 1 added, 2 changed"
    assert ran.out.splitlines()[-1].startswith("bytes: ")


def test_arguments_and_what_cannot_be_read_end_differently(built: Path) -> None:
    assert own_command(built, "diff", "desk").code == 2
    ran = own_command(built, "diff", "desk", "nothing")
    assert (ran.code, ran.err) == (
        3,
        "nothing: there is no such card or file\n  hint: name a built card, a record, an image, a disk or a folder\n",
    )
    (built / "noise").write_bytes(b"noise" * 1000)
    assert own_command(built, "diff", "desk", "noise").code == 3


def opened(folder: Path, *names: str) -> tuple[ExitStack, list[OpenTarget]]:
    stack = ExitStack()
    project = workspace_in(folder)
    return stack, [stack.enter_context(opened_target(project, str(folder / name))) for name in names]


def mutations(size: int, used: int, seed: int) -> Iterator[tuple[int, int]]:
    """Yield (offset, bit) of flips: most where something lies, some anywhere."""
    chance = random.Random(seed)
    for _ in range(200):
        yield chance.randrange(used if chance.random() < 0.8 else size), chance.randrange(8)


@pytest.mark.parametrize("fat_bits", [12, 16, 32])
@pytest.mark.parametrize("partitioned", [True, False])
def test_every_differing_byte_has_one_owner(tmp_path: Path, fat_bits: int, partitioned: bool) -> None:
    plan = cards.sample_plan(fat_bits, partitioned=partitioned)
    cards.build(plan, cards.FILES, tmp_path / "a.img")
    data = bytearray((tmp_path / "a.img").read_bytes())
    keep = (plan.volume.start * 512, plan.volume.start * 512 + 62)  # a boot sector that still can be read
    end = plan.volume.cluster_offset(max(entry.cluster + entry.clusters for entry in plan.entries))
    for offset, bit in mutations(len(data), end, fat_bits):
        if not keep[0] <= offset < keep[1] and not (partitioned and offset < 512):
            data[offset] ^= 1 << bit
    (tmp_path / "b.img").write_bytes(data)
    stack, (old, new) = opened(tmp_path, "a.img", "b.img")
    with stack:
        found = diff(old, new)
        assert old.reading is not None
        assert new.reading is not None
        sides = [regions_of(side.reading, side.size) for side in (old, new) if side.reading]
    for regions in sides:
        assert regions[0].start == 0
        assert all(one.end == other.start for one, other in pairwise(regions))
        assert regions[-1].end == len(data)
    one, other = (np.fromfile(tmp_path / name, dtype=np.uint8) for name in ("a.img", "b.img"))
    theirs = np.flatnonzero(one != other).tolist()
    counts: dict[tuple[str, str], list[int]] = {}
    for offset in theirs:
        key = str(region_at(sides[0], offset).owner), str(region_at(sides[1], offset).owner)
        counts.setdefault(key, []).append(offset)
    ours = {(str(item.old), str(item.new)): (item.count, item.first) for item in found.differing or ()}
    assert ours == {key: (len(offsets), offsets[0]) for key, offsets in counts.items()}
    assert len(theirs) > 150


def test_owners_are_where_the_plan_has_them(tmp_path: Path) -> None:
    plan = cards.sample_plan(16)
    cards.build(plan, cards.FILES, tmp_path / "a.img")
    volume = plan.volume
    rom = next(entry for entry in plan.entries if entry.path == "GOODS/SNAIL.ROM")
    long = next(entry for entry in plan.entries if entry.path.startswith("A long name"))
    places = {
        450: ("partition table", "partition 1"),
        600: ("before the volume", "byte 88"),
        volume.start * 512 + 39: ("boot sector", "serial"),
        volume.fat_start * 512: ("FAT 1", "media byte"),
        volume.fat_start * 512 + 2: ("FAT 1", "dirty bit and end mark"),
        volume.fat_start * 512 + 2 * rom.cluster: ("FAT 1", f"entry of cluster {rom.cluster} (GOODS/SNAIL.ROM)"),
        (volume.fat_start + volume.fat_sectors) * 512 + 4: ("FAT 2", "entry of cluster 2 (FIRST.BIN)"),
        volume.root_start * 512 + 28: ("root directory", "size of FIRST.BIN"),
        volume.cluster_offset(rom.cluster): ("GOODS/SNAIL.ROM", "byte 0"),
        volume.cluster_offset(rom.cluster) + 512: ("after the end of GOODS/SNAIL.ROM", "byte 0"),
        volume.cluster_offset(long.cluster) + 69_999: (long.path, "byte 69,999"),
        volume.cluster_offset(volume.clusters + 1): ("free space", "byte 0"),
    }
    stack, (side,) = opened(tmp_path, "a.img")
    with stack:
        assert side.reading is not None
        regions, naming = regions_of(side.reading, side.size), Naming(side.reading)
    for offset, (owner, name) in places.items():
        region = region_at(regions, offset)
        found = naming.name(region, offset) if owner != "free space" else "byte 0"
        assert (str(region.owner), found) == (owner, name)


SAVED: dict[str, str | bytes] = {
    "inputs/cards/desk.toml": 'keep = ["SLATE/**"]\n' + CARD,
    "inputs/kept/desk/SLATE/ONE.DAT": b"level 1",
    "inputs/kept/desk/SLATE/OLD.DAT": b"level 0",
}


def test_an_image_that_is_cut_while_it_is_compared_is_told(built: Path, tmp_path: Path) -> None:
    images = [shutil.copyfile(built / "before/card.img", tmp_path / name) for name in ("a.img", "b.img")]
    with ExitStack() as stack:
        targets = [stack.enter_context(opened_target(workspace_in(tmp_path), str(image))) for image in images]
        os.truncate(images[1], 1 << 16)
        with pytest.raises(MachineError) as error:
            diff(*targets)
    assert str(error.value) == ("one of the two became shorter while they were compared\n  hint: compare them again")


def test_files_of_the_user_are_no_difference(tmp_path: Path) -> None:
    """mtools stands for the board that saves. An image is known by its serial, a card by its id."""
    folder = small_project(tmp_path, SAVED)
    build_card_in(folder)
    record = json.loads((folder / "build/cards/desk/record.json").read_bytes())
    shutil.copyfile(folder / "build/cards/desk/card.img", folder / "played.img")
    where = f"{folder / 'played.img'}@@{record['volume']['first-sector'] * 512}"
    (folder / "save").write_bytes(b"level 2" * 900)
    for words in (("mcopy", "-o", str(folder / "save"), "::/SLATE/ONE.DAT"),
                  ("mcopy", str(folder / "save"), "::/SLATE/NEW.DAT"), ("mdel", "::/SLATE/OLD.DAT")):  # fmt: skip
        subprocess.run([require(words[0]), "-i", where, *words[1:]], check=True)
    for old in ("build/cards/desk/card.img", "desk"):
        ran = within(folder, Diff, old, "played.img")
        assert (ran.code, ran.err) == (0, "")
        assert ran.out.splitlines()[2:] == [
            "yours    SLATE/ONE.DAT: changed",
            "yours    SLATE/NEW.DAT: new",
            "yours    SLATE/OLD.DAT: removed",
            "yours: 1 changed, 1 new, 1 removed",
            "equal except for your own files",
        ]
        assert within(folder, Diff, "--strict", old, "played.img").code == 1
    document = json.loads(within(folder, Diff, "--json", "desk", "played.img").out)
    assert document["yours"] == {
        "changed": ["SLATE/ONE.DAT"], "new": ["SLATE/NEW.DAT"], "removed": ["SLATE/OLD.DAT"],
    }  # fmt: skip

    data = bytearray((folder / "played.img").read_bytes())
    data[data.index(ROM)] ^= 1
    (folder / "played.img").write_bytes(data)
    ran = within(folder, Diff, "desk", "played.img")
    assert ran.code == 1
    assert "  changed  GOODS/FERN/SNAIL.ROM, 2 KiB" in ran.out.splitlines()
    assert not any("SLATE" in line for line in ran.out.splitlines() if not line.startswith("yours"))


def test_two_builds_that_differ_only_in_files_of_the_user(tmp_path: Path) -> None:
    folder = small_project(tmp_path, SAVED)
    build_card_in(folder)
    shutil.copytree(folder / "build/cards/desk", folder / "before")
    (folder / "inputs/kept/desk/SLATE/ONE.DAT").write_bytes(b"level 9")
    build_card_in(folder)
    ran = within(folder, Diff, "before/record.json", "desk")
    assert (ran.code, ran.out.splitlines()[2:]) == (
        0, ["yours    SLATE/ONE.DAT: changed", "yours: 1 changed", "equal except for your own files"],
    )  # fmt: skip
