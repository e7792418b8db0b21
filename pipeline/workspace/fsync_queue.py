"""Files that were written and are made durable together, before anything says that the run came to its end."""

from __future__ import annotations

import os
from collections.abc import Iterable
from concurrent.futures import Future
from contextlib import suppress
from pathlib import Path

from pipeline.threads import Threads

SYNCS = 8
"""Files that are synced at a time; measured: more are no quicker."""

LARGE = 1 << 20
"""Bytes from which a file is synced while the next is made: the disk has most of the work."""


class Unsynced:
    """What a power cut may damage yet, so that the run after one that was cut off has to hash it.

    Small files are synced at the end, all at once, which is many times quicker than one by one: each sync makes the
    file system finish what it was at, and slows down the next file that is made.
    """

    def __init__(self) -> None:
        self._pool = Threads(SYNCS, "sync")
        self._small: list[str] = []
        self._begun: list[Future[None]] = []

    def add(self, path: Path, size: int) -> None:
        """Take a file of so many bytes that was just written, or was by a run that was cut off."""
        if size < LARGE:
            self._small.append(str(path))
        else:
            self._begun.append(self._pool.submit(_sync, (path,)))

    def sync(self) -> None:
        """Wait until all of them are durable; raises OSError."""
        waiting = [*self._begun, *(self._pool.submit(_sync, self._small[first::SYNCS]) for first in range(SYNCS))]
        self._begun, self._small = [], []
        for pending in waiting:
            pending.result()


def _sync(paths: Iterable[Path | str]) -> None:
    """Sync files, many at a time: 10,000 tasks that wait for a thread take 8 MiB."""
    for path in paths:
        with suppress(FileNotFoundError), Path(path).open("rb+", buffering=0) as written:  # if gone, it is made again
            os.fsync(written.fileno())
