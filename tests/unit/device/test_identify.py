"""Which known card a medium holds, told from tables and directories; images by our writer and by mkfs.fat."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.device.identify import Identity, KnownCard, identify
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
    now = KnownCard(card="desk", version="2", plan=replace(plan, label="OTHER"), current=True)
    before = KnownCard(card="desk", version="1", plan=plan, current=False)
    assert identify([now, before], reader(bytes(image))) == Identity(kind="older", card="desk", version="1")
    assert identify([replace(before, current=True)], reader(bytes(image))).kind == "current"
    for offset, data in structure(plan):
        if any(data):
            image[offset + 11 if offset else 0x1C2] ^= 1  # in a boot sector, a table, a directory
            assert identify([now, before], reader(bytes(image))).kind in ("touched", "foreign", "no FAT volume")
            image[offset + 11 if offset else 0x1C2] ^= 1
    assert identify([], reader(bytes(image))) == Identity(kind="foreign")


def test_what_is_no_card_of_ours(tmp_path: Path) -> None:
    image = tmp_path / "foreign.img"
    subprocess.run([require("mkfs.fat"), "-C", str(image), "4096"], check=True, capture_output=True)
    assert identify([], reader(image.read_bytes())) == Identity(kind="foreign")
    assert identify([], reader(bytes(4096))) == Identity(kind="empty")
    assert identify([], reader(b"x" * 4096)) == Identity(kind="no FAT volume")
    assert identify([], reader(b"")) == Identity(kind="empty")
