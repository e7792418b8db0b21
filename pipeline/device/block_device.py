"""A whole disk, opened so that nothing else can use it; all its reading and writing goes through here."""

from __future__ import annotations

import errno
import mmap
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Protocol, Self

from pipeline.errors import MachineError, RefusedError

if sys.platform != "linux":
    raise ImportError("disks are written on Linux only")

import fcntl

BLKRRPART, BLKFLSBUF = 0x125F, 0x1261
"""Read the partition table again; drop what is cached (linux/fs.h)."""
DIRECT_SIZE = 1 << 20
"""Bytes of the buffer for reading past the cache; mmap gives it on a page, as O_DIRECT asks."""


class BlockDevice(Protocol):
    """What writing needs of a disk; tests give one that fails."""

    def read(self, offset: int, length: int) -> bytes:
        """Return exactly ``length`` bytes."""

    def write(self, offset: int, data: bytes) -> None:
        """Write all bytes."""

    def sync(self) -> None:
        """Return when all that was written is on the disk."""


class OpenDisk:
    """A disk held exclusively: while it is open no part of it can be mounted."""

    def __init__(self, path: str, descriptor: int) -> None:
        self.path, self._descriptor = path, descriptor

    @classmethod
    @contextmanager
    def opened(cls, path: str) -> Iterator[Self]:
        """Open for reading and writing; raises RefusedError when it is in use, MachineError when the system refuses.

        Source: open(2): O_EXCL on a block device fails with EBUSY while it is in use, for example mounted.
        """
        try:
            descriptor = os.open(path, os.O_RDWR | os.O_EXCL | os.O_CLOEXEC)
        except OSError as error:
            if error.errno == errno.EBUSY:
                raise RefusedError.one("is in use by something", "unmount what is on it", file=path) from error
            hint = "writing to disks needs administrator rights (sudo)" if error.errno == errno.EACCES else ""
            raise MachineError.one(f"cannot be opened: {error.strerror}", hint, file=path) from error
        try:
            yield cls(path, descriptor)
        finally:
            os.close(descriptor)

    def size(self) -> int:
        """Return its size in bytes, as the kernel has it now."""
        return os.lseek(self._descriptor, 0, os.SEEK_END)

    def read(self, offset: int, length: int) -> bytes:
        """Return exactly ``length`` bytes; raises OSError."""
        parts = []
        while length:
            part = os.pread(self._descriptor, length, offset)
            if not part:
                raise OSError(errno.EIO, "the disk ends too early", self.path)
            parts.append(part)
            offset, length = offset + len(part), length - len(part)
        return b"".join(parts)

    def write(self, offset: int, data: bytes) -> None:
        """Write all bytes; raises OSError."""
        view = memoryview(data)
        while view:
            count = os.pwrite(self._descriptor, view, offset)
            offset, view = offset + count, view[count:]

    def sync(self) -> None:
        """Return when all that was written is on the disk; raises OSError."""
        os.fdatasync(self._descriptor)

    @contextmanager
    def past_cache(self) -> Iterator[tuple[BlockDevice, bool]]:
        """Give a reader that takes bytes from the disk itself, and whether that is certain.

        Where O_DIRECT does not work, the cache is dropped instead, which the system may not do in full.
        """
        with suppress(OSError):
            fcntl.ioctl(self._descriptor, BLKFLSBUF)
        try:
            descriptor = os.open(self.path, os.O_RDONLY | os.O_DIRECT | os.O_CLOEXEC)
        except OSError:
            yield self, False
            return
        try:
            yield _Direct(self.path, descriptor), True
        finally:
            os.close(descriptor)

    def read_table_again(self) -> None:
        """Have the kernel take note of the new partition table; when it cannot, plugging the card in again does."""
        with suppress(OSError):
            fcntl.ioctl(self._descriptor, BLKRRPART)


class _Direct:
    """Reads whole sectors past the cache."""

    def __init__(self, path: str, descriptor: int) -> None:
        self.path, self._descriptor = path, descriptor
        self._buffer = mmap.mmap(-1, DIRECT_SIZE)

    def read(self, offset: int, length: int) -> bytes:
        parts = []
        while length:
            view = memoryview(self._buffer)[: min(length, DIRECT_SIZE)]
            count = os.preadv(self._descriptor, [view], offset)
            if not count:
                raise OSError(errno.EIO, "the disk ends too early", self.path)
            parts.append(bytes(view[:count]))
            offset, length = offset + count, length - count
        return b"".join(parts)

    def write(self, offset: int, data: bytes) -> None:
        raise NotImplementedError

    def sync(self) -> None:
        raise NotImplementedError
