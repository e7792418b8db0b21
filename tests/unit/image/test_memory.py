"""The most memory a process holds while it plans and writes, or reads back, the largest card we promise.

Measured by the operating system in processes of their own: 60,000 files on a FAT32 card of 32 GB. In the ordinary
run its 976,178 clusters have 512 bytes each, so that half a gigabyte is hashed and not 32; all that memory could
depend on, files and clusters, is the same.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[3]
CLUSTERS = 976_178
"""Of 32 KiB on a card of 32 GB."""

WRITING, READING = 128 << 20, 256 << 20

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no peak of memory is told there without more packages")


def peak(what: str, folder: Path, *numbers: int) -> int:
    command = [
        sys.executable,
        "-m",
        "tests.unit.image.big_card",
        what,
        str(folder / "plan"),
        str(folder / "img"),
        *map(str, numbers),
    ]
    result = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert (result.returncode, result.stderr) == (0, "")
    return int(result.stdout)


def test_many_files_on_as_many_clusters_as_a_large_card(tmp_path: Path) -> None:
    assert peak("write", tmp_path, 60_000, 40, CLUSTERS, 1) < WRITING
    assert peak("read", tmp_path, 60_000, 40, CLUSTERS, 1) < READING


@pytest.mark.long
def test_many_files_on_a_large_card(tmp_path: Path) -> None:
    assert peak("write", tmp_path, 60_000, 40, CLUSTERS, 64) < WRITING
    assert peak("read", tmp_path, 60_000, 40, CLUSTERS, 64) < READING


def test_memory_does_not_grow_with_bytes(tmp_path: Path) -> None:
    small = [peak(what, tmp_path, 4, 1 << 20, 70_000, 8) for what in ("write", "read")]
    large = [peak(what, tmp_path, 4, 64 << 20, 70_000, 8) for what in ("write", "read")]

    assert large[0] - small[0] < 8 << 20
    assert large[1] - small[1] < 8 << 20
