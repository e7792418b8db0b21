"""A card of 32 GB with 60,000 files, read within the memory that is promised."""

from __future__ import annotations

import os
import tracemalloc
from pathlib import Path

import pytest

from pipeline.volume.read import read_volume
from tests.unit.image.cards import build, plan_of, volume_of


@pytest.mark.long
def test_sixty_thousand_files_on_32_gb_take_less_than_256_mib(tmp_path: Path) -> None:
    files = {f"FOLDER {number % 60}/a file with a long name {number}.bin": b"x" * 1000 for number in range(60_000)}
    image = tmp_path / "card.img"
    plan = plan_of(files, volume_of(32, size=32 * 10**9))
    build(plan, files, image)
    descriptor = os.open(image, os.O_RDONLY)
    tracemalloc.start()
    try:
        reading = read_volume(lambda offset, length: os.pread(descriptor, length, offset), image.stat().st_size)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
        os.close(descriptor)

    assert reading.findings == ()
    assert {item.path: item.extents for item in reading.items} == {
        entry.path: ((entry.cluster, entry.clusters),) for entry in plan.entries
    }
    assert peak < 256 << 20
