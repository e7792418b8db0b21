"""A second image with the bytes of a first: a clone that shares its blocks where the file system can, else a copy."""

from __future__ import annotations

import os
import sys
from io import FileIO
from pathlib import Path

from pipeline.image.digest import data_extents

FICLONE = 0x40049409
"""Shares all blocks of a file with another, each copied when one of both is written (Linux, ioctl_ficlone(2))."""


def clone(source: Path, target: Path) -> bool:
    """Make ``target`` share the blocks of ``source``; return whether the file system can."""
    if not sys.platform.startswith("linux"):
        return False
    import fcntl

    with source.open("rb", buffering=0) as file, target.open("wb", buffering=0) as new:
        try:
            fcntl.ioctl(new.fileno(), FICLONE, file.fileno())
        except OSError:
            return False
    return True


def copy(source: Path, target: Path) -> None:
    """Copy a file, holes left out, within the system where that can be."""
    with source.open("rb", buffering=0) as file, target.open("wb", buffering=0) as new:
        for start, end in data_extents(file.fileno()):
            _copy(file, new, start, end)
        new.truncate(os.fstat(file.fileno()).st_size)


def _copy(file: FileIO, new: FileIO, start: int, end: int) -> None:
    inside = True
    while start < end:
        if sys.platform == "linux" and inside:
            try:
                done = os.copy_file_range(file.fileno(), new.fileno(), end - start, start, start)
            except OSError:
                inside = False
                continue
        else:
            file.seek(start)
            new.seek(start)
            done = new.write(file.read(min(end - start, 1 << 22)))
        if not done:
            raise OSError(f"{file.name} became shorter")
        start += done
