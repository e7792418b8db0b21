"""An image file or a disk, opened for reading: what it must be, and its bytes at any offset."""

from __future__ import annotations

import io
import os
import stat
import sys
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from threading import Lock

from pipeline.errors import MachineError

SEEK = Lock()

KINDS = (
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a character device"),
    (stat.S_ISDIR, "a folder"),
)
"""What a path can be that holds no card."""


def open_image(path: Path, stack: ExitStack) -> tuple[int, int]:
    """Return an image or disk opened for reading, and its size in bytes.

    Raises MachineError for whatever is neither a plain file nor a block device: it is refused before it is opened,
    since opening a pipe waits for a writer and opening a device can start it, and once more after, should it have
    been exchanged.
    """
    _check_kind(path, path.stat().st_mode)
    flags = os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0)
    descriptor = os.open(path, flags)
    stack.callback(os.close, descriptor)
    _check_kind(path, os.fstat(descriptor).st_mode)
    return descriptor, os.lseek(descriptor, 0, os.SEEK_END)


def _check_kind(path: Path, mode: int) -> None:
    if stat.S_ISREG(mode) or stat.S_ISBLK(mode):
        return
    kind = next((name for is_kind, name in KINDS if is_kind(mode)), "neither a file nor a disk")
    hint = "write what comes from it to a file, and name that" if stat.S_ISFIFO(mode) else "name an image or a disk"
    raise MachineError.one(f"is {kind}; expected an image file or a disk (block device)", hint, file=str(path))


def read_at(descriptor: int, offset: int, length: int) -> bytes:
    """Return the bytes at an offset, fewer at the end."""
    parts = []
    while length > 0 and (part := _pread(descriptor, length, offset)):
        parts.append(part)
        offset, length = offset + len(part), length - len(part)
    return parts[0] if len(parts) == 1 else b"".join(parts)


def _pread(descriptor: int, length: int, offset: int) -> bytes:
    if sys.platform != "win32":
        return os.pread(descriptor, length, offset)
    with SEEK:  # Windows has no pread, and threads share the descriptor
        os.lseek(descriptor, offset, os.SEEK_SET)
        return os.read(descriptor, length)


class ReadStream(io.RawIOBase):
    """A run of bytes as a stream: ``size`` bytes from ``start`` on of what ``read`` gives at an offset."""

    def __init__(self, read: Callable[[int, int], bytes], size: int, start: int = 0) -> None:
        super().__init__()
        self._read, self._at, self._end = read, start, start + size

    def readable(self) -> bool:
        """Return True."""
        return True

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]  # any buffer is one to the caller
        """Fill the buffer as far as there are bytes, and return how many there were."""
        data = self._read(self._at, min(len(buffer), self._end - self._at))
        buffer[: len(data)] = data
        self._at += len(data)
        return len(data)
