"""Whatever is done to an image, the reader ends, and all it raises is a CheckError.

The library under it is known to follow loops until the interpreter's recursion or memory ends (measured: 7 of 1,500
images with one flipped bit).
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from pipeline.errors import CheckError
from pipeline.image.read_back import read_back
from pipeline.image.written import Written
from pipeline.model.plan import SECTOR, Plan
from tests.unit.image.cards import FILES, build, sample_plan

VALUES = (b"\0", b"\xff", b"\xe5", b"\x0f", b"\x10", b"\x2e", b"\2\0", b"\xff\xff", b"\xff\xff\xff\xff", b"\0\0\0\0")
"""Bytes that mean something where they hit: an end, a free slot, a long name, a folder, a dot, cluster 2, an end."""


def mutate(image: bytearray, plan: Plan, chance: random.Random) -> None:
    """Damage one to eight places, most of them where the structure of the volume lies."""
    volume = plan.volume
    folders = [entry for entry in plan.entries if entry.is_folder]
    areas = [
        (volume.start * SECTOR, SECTOR),
        (volume.fat_start * SECTOR, 64),
        ((volume.fat_start + volume.fat_sectors) * SECTOR, 64),
        (volume.root_start * SECTOR, 512),
        *((volume.cluster_offset(folder.cluster), 512) for folder in folders),
        (0, len(image) - 16),
    ]
    for _ in range(chance.randint(1, 8)):
        start, length = chance.choice(areas)
        offset = start + chance.randrange(length)
        kind = chance.randrange(4)
        if kind == 0:
            image[offset] ^= 1 << chance.randrange(8)
        elif kind == 1:
            value = chance.choice(VALUES)
            image[offset : offset + len(value)] = value
        elif kind == 2:
            slot = offset // 32 * 32
            other = chance.choice(areas)[0] + 32 * chance.randrange(8)
            image[slot : slot + 32] = image[other : other + 32].ljust(32, b"\0")
        else:
            image[offset : offset + 8] = chance.randbytes(8)


def survive(plan: Plan, original: bytes, image: Path, written: Written, count: int, seed: int) -> int:
    """Return of how many of the mutated images the reader told problems."""
    chance = random.Random(seed)
    told = 0
    for _ in range(count):
        damaged = bytearray(original)
        mutate(damaged, plan, chance)
        image.write_bytes(damaged)
        try:
            read_back(plan, image, written)
        except CheckError:
            told += 1
    return told


def check(tmp_path: Path, fat_bits: int, count: int, seed: int) -> None:
    plan = sample_plan(fat_bits)
    image = tmp_path / "card.img"
    written = build(plan, FILES, image)

    assert survive(plan, image.read_bytes(), image, written, count, seed) > count * 3 // 4


@pytest.mark.parametrize(("fat_bits", "count"), [(12, 300), (16, 100), (32, 15)])
def test_damaged_images_end_in_problems(fat_bits: int, count: int, tmp_path: Path) -> None:
    check(tmp_path, fat_bits, count, seed=fat_bits)


@pytest.mark.long
@pytest.mark.parametrize(("fat_bits", "count"), [(12, 20_000), (16, 8_000), (32, 500)])
def test_many_damaged_images_end_in_problems(fat_bits: int, count: int, tmp_path: Path) -> None:
    check(tmp_path, fat_bits, count, seed=random.SystemRandom().getrandbits(32))


@pytest.mark.parametrize("content", [b"", b"\0", b"\xff" * 100_000])
def test_something_else_altogether(content: bytes, tmp_path: Path) -> None:
    plan = sample_plan(12)
    image = tmp_path / "card.img"
    written = build(plan, FILES, image)
    image.write_bytes(content)

    with pytest.raises(CheckError, match=f"the image has {len(content):,} bytes"):
        read_back(plan, image, written)


@pytest.mark.parametrize("byte", [b"\0", b"\xff"])
@pytest.mark.parametrize("fat_bits", [12, 16, 32])
def test_nothing_but_one_byte(fat_bits: int, byte: bytes, tmp_path: Path) -> None:
    plan = sample_plan(fat_bits)
    image = tmp_path / "card.img"
    written = build(plan, FILES, image)
    image.write_bytes(byte * image.stat().st_size)

    with pytest.raises(CheckError, match="of the boot sector is"):
        read_back(plan, image, written)
