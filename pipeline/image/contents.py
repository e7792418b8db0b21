"""The contents of an image's files, hashed where they lie; several at once, since hashing leaves the others running."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from pipeline.model.plan import Entry
from pipeline.threads import Threads

PART = 1 << 20
"""Bytes read at once."""

BATCH_BYTES, BATCH_FILES = 8 << 20, 256
"""One task of a thread ends with the file that reaches either."""


def hash_contents(
    image: Path, files: Iterable[tuple[Entry, int]], progress: Callable[[int], None]
) -> Iterator[tuple[Entry, str]]:
    """Yield each file of the plan with the SHA-256 of what lies at its offset in the image, in order.

    Memory does not grow with bytes. Raises OSError when the image cannot be read.
    """
    with Threads(min(4, os.cpu_count() or 1), "read-back") as pool:
        for batch, digests in pool.map(lambda batch: (batch, _hash(image, batch)), _batches(files)):
            yield from zip((entry for entry, _ in batch), digests, strict=True)
            progress(sum(entry.size for entry, _ in batch))


def _batches(files: Iterable[tuple[Entry, int]]) -> Iterator[list[tuple[Entry, int]]]:
    batch: list[tuple[Entry, int]] = []
    size = 0
    for entry, offset in files:
        batch.append((entry, offset))
        size += entry.size
        if size >= BATCH_BYTES or len(batch) == BATCH_FILES:
            yield batch
            batch, size = [], 0
    if batch:
        yield batch


def _hash(image: Path, batch: Iterable[tuple[Entry, int]]) -> list[str]:
    digests = []
    buffer = memoryview(bytearray(PART))
    with image.open("rb", buffering=0) as file:
        for entry, offset in batch:
            digest = hashlib.sha256()
            left = entry.size
            if left:  # an empty file has no position
                file.seek(offset)
            while left and (size := file.readinto(buffer[:left])):
                digest.update(buffer[:size])
                left -= size
            digests.append(digest.hexdigest())
    return digests
