"""The contents of an image's files, hashed where they lie; several at once, since hashing leaves the others running."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterable, Iterator

from pipeline.model.plan import Entry
from pipeline.threads import Threads

PART = 1 << 20
"""Bytes read at once."""

BATCH_BYTES, BATCH_FILES = 2 << 20, 256
"""One task of a thread ends with the file that reaches either."""


Read = Callable[[int, int], bytes]
"""Gives the bytes of an image from an offset on, so many of them; fewer at its end."""


def hash_contents(
    read: Read, files: Iterable[tuple[Entry, int]], progress: Callable[[int], None]
) -> Iterator[tuple[Entry, str]]:
    """Yield each file of a plan with the SHA-256 of what lies at its offset in an image, in order.

    Several threads ``read`` at a time. Memory does not grow with bytes. What ``read`` raises passes through.
    """

    def hashed(batch: list[tuple[Entry, int]]) -> list[tuple[Entry, str]]:
        return [(entry, digest(read, [(offset, entry.size)])) for entry, offset in batch]

    with Threads(min(4, os.cpu_count() or 1), "read-back") as pool:
        for batch in pool.map(hashed, _batches(files)):
            yield from batch
            progress(sum(entry.size for entry, _ in batch))


def digest(read: Read, ranges: Iterable[tuple[int, int]]) -> str:
    """Return the SHA-256 of (offset, bytes) ranges in a row."""
    found = hashlib.sha256()
    for start, length in ranges:
        for at in range(start, start + length, PART):
            found.update(read(at, min(PART, start + length - at)))
    return found.hexdigest()


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
