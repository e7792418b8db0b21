"""The SHA-256 of a whole image, read back from its file: holes are not read, and one block is read ahead."""

from __future__ import annotations

import hashlib
import os
import sys
from collections.abc import Callable, Iterable, Iterator
from io import FileIO
from pathlib import Path

from pipeline.image.stream import BLOCK, ZEROS
from pipeline.threads import Threads


def image_digest(image: Path, progress: Callable[[int], None] = lambda _: None) -> str:
    """Return the SHA-256; ``progress`` is called with the bytes hashed since the last call."""
    with image.open("rb", buffering=0) as file:
        return open_image_digest(file, progress)


def open_image_digest(file: FileIO, progress: Callable[[int], None] = lambda _: None) -> str:
    """Return the SHA-256 of an open file, as ``image_digest`` does; moves the place where it is read."""
    digest = hashlib.sha256()
    with Threads(1, "read-ahead") as ahead:
        rooms = [memoryview(bytearray(BLOCK)) for _ in range(2)]

        def read(part: tuple[int, int, bool], room: memoryview) -> memoryview:
            offset, size, hole = part
            if hole:
                return ZEROS[:size]
            file.seek(offset)
            return room[: file.readinto(room[:size])]

        coming = None
        for part in parts(list(extents(file.fileno()))):  # known first: looking moves the place where it is read
            following = ahead.submit(read, part, rooms[0])
            rooms.reverse()
            if coming is not None:
                _take(digest.update, coming.result(), progress)
            coming = following
        if coming is not None:
            _take(digest.update, coming.result(), progress)
    return digest.hexdigest()


def _take(update: Callable[[memoryview], None], data: memoryview, progress: Callable[[int], None]) -> None:
    update(data)
    progress(len(data))


def parts(found: Iterable[tuple[int, int, bool]]) -> Iterator[tuple[int, int, bool]]:
    """Yield extents in parts: (offset, size up to BLOCK, whether it is a hole)."""
    for start, end, hole in found:
        for offset in range(start, end, BLOCK):
            yield offset, min(BLOCK, end - offset), hole


def extents(descriptor: int) -> Iterator[tuple[int, int, bool]]:
    """Yield all of a file as (from, to, whether it is a hole), ascending; it moves the place where it is read."""
    at, size = 0, os.fstat(descriptor).st_size
    for start, end in data_extents(descriptor):
        if start > at:
            yield at, start, True
        yield start, end, False
        at = end
    if at < size:
        yield at, size, True


def data_extents(descriptor: int, most: int | None = None) -> Iterator[tuple[int, int]]:
    """Yield the (from, to) of a file, or of its first bytes, that are no holes; all where the system cannot tell."""
    size = os.fstat(descriptor).st_size if most is None else most
    if sys.platform == "win32" or not hasattr(os, "SEEK_DATA"):
        yield 0, size
        return
    end = 0
    while end < size:
        try:
            start = os.lseek(descriptor, end, os.SEEK_DATA)
        except OSError:  # no data from here on (ENXIO)
            return
        if start >= size:
            return
        end = min(os.lseek(descriptor, start, os.SEEK_HOLE), size)
        yield start, end
