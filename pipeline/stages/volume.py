"""Opening an image or a disk to read the FAT volume on it."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.errors import CheckError
from pipeline.model.reading import Item, Reading
from pipeline.volume.read import NotFatError, read_volume
from pipeline.volume.source import Read


@contextmanager
def opened(path: Path) -> Iterator[tuple[Reading, Read]]:
    """Give what is on an image or a disk, and how its bytes are read.

    Raises CheckError where there is no FAT volume; OSError is left to the caller.
    """
    with path.open("rb", buffering=0) as file:

        def read(offset: int, length: int) -> bytes:
            file.seek(offset)
            parts = []
            while length and (part := file.read(length)):
                parts.append(part)
                length -= len(part)
            return b"".join(parts)

        size = file.seek(0, os.SEEK_END)
        try:
            reading = read_volume(read, size)
        except NotFatError as error:
            raise CheckError.one(
                str(error), "doit look shows cards and images with a FAT volume", file=str(path)
            ) from None
        yield reading, read


def file_bytes(reading: Reading, item: Item, read: Read) -> bytes:
    """Return the bytes of a file, piece by piece along its extents."""
    cluster = reading.volume.sectors_per_cluster * reading.sector_bytes
    parts, left = list[bytes](), item.size
    for first, count in item.extents:
        length = min(left, count * cluster)
        parts.append(read(reading.data_offset + (first - 2) * cluster, length))
        left -= length
    return b"".join(parts)
