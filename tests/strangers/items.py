"""What a reader says of an image, in one form for all readers."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

if TYPE_CHECKING:
    from _typeshed import WriteableBuffer  # exists for type checkers only

CHUNK = 1 << 20


@dataclass(frozen=True, slots=True)
class Item:
    """One file or folder as a reader tells it: ``path`` in its own spelling, ``sha256`` "" for a folder.

    ``moment``: when it was last written, None where the reader does not say or gets it wrong.
    """

    path: str
    size: int
    sha256: str
    moment: datetime | None = None


def sha256_of(chunks: Iterable[bytes]) -> str:
    """Return the SHA-256 of the chunks joined, in hexadecimal."""
    digest = hashlib.sha256()
    for chunk in chunks:
        digest.update(chunk)
    return digest.hexdigest()


def chunks_of(read: Callable[[int], bytes]) -> Iterable[bytes]:
    """Yield what ``read`` gives until it gives nothing."""
    return iter(lambda: read(CHUNK), b"")


class Window(io.RawIOBase):
    """The bytes of a file from ``offset`` on, for readers that know nothing of partitions."""

    def __init__(self, path: Path, offset: int) -> None:
        self._file = path.open("rb", buffering=0)
        self._offset = offset
        self._file.seek(offset)

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        return self._file.seek(offset + (self._offset if whence == io.SEEK_SET else 0), whence) - self._offset

    def readinto(self, buffer: WriteableBuffer) -> int:
        return self._file.readinto(buffer)

    def close(self) -> None:
        self._file.close()
        super().close()


def opened(image: Path, offset: int) -> BinaryIO:
    """Return the volume that starts ``offset`` bytes into the image, as a file open for reading."""
    return io.BufferedReader(Window(image, offset), CHUNK)
