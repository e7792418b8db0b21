"""Checks a volume with fsck.fat, which reads no contents but sees what other readers forgive."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

from tests.strangers.items import CHUNK
from tests.strangers.tools import require

SUMMARY = re.compile(r".*: (?P<files>\d+) files, (?P<used>\d+)/(?P<clusters>\d+) clusters")


def check(image: Path, offset: int, tmp_path: Path) -> tuple[int, int, int]:
    """Return what fsck.fat counts: files and folders (the root among them), used clusters, all clusters.

    It fails on any word beyond its version and its counts: its exit code alone passes over differing backup sectors
    and damaged long names.
    """
    volume = _volume_of(image, offset, tmp_path)
    result = subprocess.run([require("fsck.fat"), "-n", str(volume)], capture_output=True, check=False, text=True)
    lines = result.stdout.splitlines()
    summary = SUMMARY.fullmatch(lines[-1])
    assert result.returncode == 0, result.stdout
    assert len(lines) == 2, result.stdout
    assert summary is not None, result.stdout
    return int(summary["files"]), int(summary["used"]), int(summary["clusters"])


def _volume_of(image: Path, offset: int, tmp_path: Path) -> Path:
    """Return a file that holds the volume alone, since fsck.fat takes no offset; free space stays sparse."""
    if offset == 0:
        return image
    copy = tmp_path / "volume.img"
    zeros = bytes(CHUNK)
    with image.open("rb") as source, copy.open("wb") as target:
        source.seek(offset)
        while chunk := source.read(CHUNK):
            if chunk == zeros:
                target.seek(CHUNK, 1)
            else:
                target.write(chunk)
        target.truncate(image.stat().st_size - offset)
    return copy
