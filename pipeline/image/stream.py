"""A file written once from start to end: long runs of zeros stay holes, and another thread hashes every byte."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from io import FileIO
from types import TracebackType
from typing import Self

from pipeline.threads import Threads

BLOCK = 1 << 20
"""Bytes handed to the file and to the hash at once."""

BLOCKS = 4
"""Blocks in the ring: how far the writer may run ahead of the hash. The memory of the whole is BLOCK * BLOCKS."""

HOLE = 1 << 14
"""Zeros that are worth leaving out; fewer cost more in system calls than they save."""

SYNC = 1 << 26
"""Bytes after which the disk is set to work, so that the end does not have to wait for all of it."""

ZEROS = memoryview(bytes(BLOCK))


class TargetError(Exception):
    """The system does not let the file be written; ``args[0]`` is its OSError. No source is to blame."""


class SparseStream:
    """Writes what it is given in ascending order, and zeros between.

    ``advance`` is called with the bytes hashed since the last call, from the hashing thread.
    ``written``: bytes handed to the file so far. Raises TargetError when the file cannot be written.
    """

    def __init__(self, file: FileIO, advance: Callable[[int], None]) -> None:
        self.written = 0
        self._file = file
        self._advance = advance
        self._digest = hashlib.sha256()
        self._hasher = Threads(1, "image-hash")
        self._stopped = False
        self._syncer = Threads(1, "image-sync")
        self._sync: Future[None] | None = None
        self._synced = 0  # bytes written when the last sync began
        self._ring = [memoryview(bytearray(BLOCK)) for _ in range(BLOCKS)]
        self._jobs: list[Future[None] | None] = [None] * BLOCKS
        self._turn = 0
        self._start = 0  # of the current block, in the file
        self._filled = 0  # bytes of it
        self._pieces: list[tuple[int, int]] = []  # the parts of it that are no holes, each (from, to)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: object, traceback: TracebackType | None) -> None:
        self._stopped = True
        self._hasher.shutdown(cancel_futures=True)
        self._syncer.shutdown()

    def room(self, most: int) -> memoryview:
        """Return a place for the next bytes, at least 1 and at most ``most``; ``fill`` says how many were put there."""
        if self._filled == BLOCK:
            self._flush()
        return self._ring[self._turn][self._filled : self._filled + most]

    def fill(self, size: int) -> None:
        """Take over the first ``size`` bytes that were put into the room."""
        end = self._filled + size
        if self._pieces and self._pieces[-1][1] == self._filled:
            self._pieces[-1] = self._pieces[-1][0], end
        else:
            self._pieces.append((self._filled, end))
        self._filled = end

    def put(self, data: bytes) -> None:
        """Write the bytes."""
        view = memoryview(data)
        while view:
            room = self.room(len(view))
            room[:] = view[: len(room)]
            self.fill(len(room))
            view = view[len(room) :]

    def skip_to(self, offset: int) -> None:
        """Go forward to an offset of the file; there are zeros up to it."""
        gap = offset - self._start - self._filled
        if gap < 0:
            raise ValueError(f"offset {offset} was already written")
        if self._filled + gap <= BLOCK:
            self._ring[self._turn][self._filled : self._filled + gap] = ZEROS[:gap]
            if gap < HOLE:
                self.fill(gap)
            else:
                self._filled += gap
        else:
            self._flush()
            self._hash_zeros(offset - self._start)
            self._start = offset

    def finish(self, size: int) -> str:
        """Make the file ``size`` bytes long and safe from a power cut; return the SHA-256 of all of it.

        The zeros at the end are hashed while the system writes the rest to the disk.
        """
        self._flush()
        self._hash_zeros(size - self._start)
        with _target():
            self._file.truncate(size)
            if self._sync is not None:
                self._sync.result()  # tells what went wrong with it
            os.fsync(self._file.fileno())
        for job in self._jobs:
            if job is not None:
                job.result()
        return self._digest.hexdigest()

    def _flush(self) -> None:
        """Write and hash the current block, and take the next one of the ring."""
        data = self._ring[self._turn][: self._filled]
        self._jobs[self._turn] = self._hasher.submit(self._take, data)
        for start, end in self._pieces:
            self._write(self._start + start, data[start:end])
        self._start += self._filled
        self._filled, self._pieces = 0, []
        self._sync_early()
        self._take_turn()

    def _write(self, offset: int, data: memoryview) -> None:
        self.written += write_at(self._file, offset, data)

    def _sync_early(self) -> None:
        """Have the disk take what was written so far while the next bytes are hashed, unless it is still at it."""
        if self.written - self._synced >= SYNC and (self._sync is None or self._sync.done()):
            self._synced = self.written
            self._sync = self._syncer.submit(os.fsync, self._file.fileno())

    def _hash_zeros(self, count: int) -> None:
        self._jobs[self._turn] = self._hasher.submit(self._take_zeros, count)
        self._take_turn()

    def _take_turn(self) -> None:
        """Go to the next block of the ring, and wait until its last bytes are hashed."""
        self._turn = (self._turn + 1) % BLOCKS
        job = self._jobs[self._turn]
        if job is not None:
            job.result()

    def _take(self, data: memoryview) -> None:
        self._digest.update(data)
        self._advance(len(data))

    def _take_zeros(self, count: int) -> None:
        while count and not self._stopped:
            data = ZEROS[: min(count, BLOCK)]
            self._take(data)
            count -= len(data)


def write_at(file: FileIO, offset: int, data: memoryview) -> int:
    """Write all of the bytes at an offset, however few the system takes at once; return how many there are."""
    size = len(data)
    with _target():
        file.seek(offset)
        while data:
            data = data[file.write(data) :]
    return size


@contextmanager
def _target() -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise TargetError(error) from error
