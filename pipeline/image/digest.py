"""The SHA-256 of a whole image, read back from its file: holes are not read, and one block is read ahead."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterable, Iterator
from io import FileIO
from pathlib import Path

from pipeline.image.stream import BLOCK, ZEROS
from pipeline.threads import Threads


def image_digest(image: Path, progress: Callable[[int], None] = lambda _: None) -> str:
    """Return the SHA-256; ``progress`` is called with the bytes hashed since the last call."""
    digest = hashlib.sha256()
    with image.open("rb", buffering=0) as file, Threads(1, "read-ahead") as ahead:
        rooms = [memoryview(bytearray(BLOCK)) for _ in range(2)]

        def read(part: tuple[int, int, bool], room: memoryview) -> memoryview:
            offset, size, hole = part
            if hole:
                return ZEROS[:size]
            file.seek(offset)
            return room[: file.readinto(room[:size])]

        coming = None
        for part in parts(list(extents(file))):  # known first: looking for them moves the place where it is read
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


def extents(file: FileIO) -> Iterator[tuple[int, int, bool]]:
    """Yield all of a file as (from, to, whether it is a hole); one extent of data where the system cannot tell."""
    size = os.fstat(file.fileno()).st_size
    if not hasattr(os, "SEEK_DATA"):
        yield 0, size, False
        return
    at = 0
    while at < size:
        try:
            data = os.lseek(file.fileno(), at, os.SEEK_DATA)
        except OSError:  # no data from here on (ENXIO)
            data = size
        if data > at:
            yield at, data, True
        if data < size:
            at = os.lseek(file.fileno(), data, os.SEEK_HOLE)
            yield data, at, False
        else:
            at = size
