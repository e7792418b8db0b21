"""Which known card a medium holds, told from tables and directories; images by our writer and by mkfs.fat."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.device.identify import Identity, identify, is_half_written
from pipeline.device.ranges import BLOCK
from pipeline.fat.structure import structure
from tests.strangers.tools import require
from tests.unit.image.cards import FILES, build, sample_plan


def reader(data: bytes) -> Callable[[int, int], bytes]:
    return lambda offset, length: data[offset : offset + length]


@pytest.mark.parametrize("fat_bits", [12, 16, 32])
def test_a_card_is_known_by_its_structures(fat_bits: int, tmp_path: Path) -> None:
    plan = sample_plan(fat_bits)
    build(plan, FILES, tmp_path / "card.img")
    image = bytearray((tmp_path / "card.img").read_bytes())
    known = [(replace(plan, label="OTHER"), "now"), (plan, "before")]
    assert identify(known, reader(bytes(image))) == Identity("known", ("before",))
    for offset, data in structure(plan):
        if any(data):
            image[offset + 11 if offset else 0x1C2] ^= 1  # in a boot sector, a table, a directory
            assert identify(known, reader(bytes(image))).kind in ("touched", "foreign", "no FAT volume")
            image[offset + 11 if offset else 0x1C2] ^= 1
    assert identify([], reader(bytes(image))) == Identity("foreign")


@pytest.mark.parametrize("fat_bits", [12, 16, 32])
def test_a_card_is_half_written_wherever_the_write_was_interrupted(fat_bits: int, tmp_path: Path) -> None:
    """Over an empty card, from the first block of tables or folders on that is not all zeros."""
    plan = sample_plan(fat_bits)
    build(plan, FILES, tmp_path / "card.img")
    image = (tmp_path / "card.img").read_bytes()
    first = min(offset + len(data) for offset, data in structure(plan) if offset >= BLOCK and any(data))
    for end in (first, first + BLOCK, len(image) // 2, len(image)):
        half = bytes(BLOCK) + image[BLOCK:end] + bytes(len(image) - end)
        assert is_half_written(plan, reader(half))
        assert identify([(plan, "desk")], reader(half)) == Identity("half-written", ("desk",))
    assert not is_half_written(plan, reader(image))
    assert identify([(plan, "desk")], reader(bytes(len(image)))) == Identity("empty")


def test_what_is_no_card_of_ours(tmp_path: Path) -> None:
    image = tmp_path / "foreign.img"
    subprocess.run([require("mkfs.fat"), "-C", str(image), "4096"], check=True, capture_output=True)
    assert identify([], reader(image.read_bytes())) == Identity("foreign")
    assert identify([], reader(bytes(4096))) == Identity("empty")
    assert identify([], reader(b"x" * 4096)) == Identity("no FAT volume")
    assert identify([], reader(b"")) == Identity("empty")
