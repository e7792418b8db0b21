"""The files of a tar archive: ``tarfile`` reads it, and here is bounded what that reads, and judged what it says."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from tarfile import TarFile, TarInfo
from typing import BinaryIO, cast

from pipeline.model.manifest import ArchiveLimits
from pipeline.sources.files.archive import PIECE, ArchiveError, Fault, damage, too_many

LARGEST_HEADER = 1 << 20
"""Bytes of a header; names and attributes are much shorter."""


@dataclass(frozen=True, slots=True)
class TarEntry:
    """A file of a tar as its header declares it, sizes and offset in bytes; ``fault``: why it cannot be used."""

    name: str
    size: int
    offset: int
    fault: Fault | None


class _Bounded:
    """A stream as ``tarfile`` reads headers from it; a header of any size would be held in memory whole."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        self.seek, self.tell = stream.seek, stream.tell

    def read(self, size: int = -1, /) -> bytes:
        if not 0 <= size <= LARGEST_HEADER:
            raise ArchiveError("is damaged: a header has an impossible size")
        return self._stream.read(size)


def tar_entries(stream: BinaryIO, limits: ArchiveLimits | None = None) -> Iterator[TarEntry]:
    """Yield the files of a tar, in its order; raises ArchiveError where it is damaged or has too many entries."""
    stream.seek(0)
    before = -1
    with damage("is damaged"):
        archive = TarFile(fileobj=cast("BinaryIO", _Bounded(stream)))
        for number, entry in enumerate(iter(archive.next, None)):
            if limits and number >= limits.entries:
                raise too_many(limits.entries)
            if entry.size < 0 or entry.offset <= before:  # or it would go round and round
                raise ArchiveError("is damaged: a header has an impossible size")
            before = entry.offset
            if not entry.isdir():
                yield TarEntry(entry.name, entry.size, entry.offset_data, _fault(entry))


def _fault(entry: TarInfo) -> Fault | None:
    if entry.issym() or entry.islnk():
        return Fault("a link to another file", "put the file itself into the archive")
    if entry.issparse():
        return Fault("a sparse file", "put the whole file into the archive")
    if not entry.isreg():
        return Fault("a device or pipe", "put the file itself into the archive")
    return None


def tar_pieces(stream: BinaryIO, entry: TarEntry) -> Iterator[bytes]:
    """Yield the bytes of a file of a tar; raises ArchiveError where the tar ends before it."""
    left, at = entry.size, entry.offset
    while left:
        stream.seek(at)
        piece = stream.read(min(PIECE, left))
        if not piece:
            raise ArchiveError(f"{entry.name!r} is damaged: {left:,} bytes are missing")
        left, at = left - len(piece), at + len(piece)
        yield piece
