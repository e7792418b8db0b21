"""The bytes of a file or of an archive's member, a piece at a time, counted while they arrive."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from pathlib import Path
from typing import Any, BinaryIO
from zipfile import ZipFile, ZipInfo

from cachetools import LRUCache, cached

from pipeline.model.content import Location
from pipeline.sources.files.archive import ArchiveError, damage
from pipeline.sources.files.signature import signature

PIECE = 1 << 18
"""Bytes asked for at a time, and the most a piece holds."""


KEPT_ENTRIES = 1 << 15
"""Entries of open archives that are kept, about 20 MiB; a title's chips lie anywhere, and opening takes long."""


def pieces(stream: BinaryIO, location: Location) -> Iterator[bytes]:
    """Yield the bytes at a location, whose file is open as ``stream``, in pieces of 1 to ``PIECE`` bytes.

    Raises ArchiveError when the archive or the member is damaged or not what its directory says.
    """
    stat = os.fstat(stream.fileno())
    if location.member is None:
        return iter(partial(stream.read, min(PIECE, stat.st_size + 1)), b"")
    return members(location.path, stat)(location.member)


def members(path: str, stat: os.stat_result) -> Callable[[str], Iterator[bytes]]:
    """Return the function that yields the bytes of one member of an archive, which looks as ``stat`` says.

    Opens it at once, and raises as ``pieces`` does.
    """
    archive, entries = _opened(path, signature(stat), threading.get_ident())

    def member(name: str) -> Iterator[bytes]:
        if name not in entries:
            raise ArchiveError(f"has no member {name!r} any more", "run again; it is looked at anew")
        return unpack(archive, entries[name])

    return member


def _room(opened: tuple[ZipFile, Mapping[str, ZipInfo]]) -> int:
    """Return how many entries an archive counts for; the largest has its place to itself."""
    return min(len(opened[1]) + 1, KEPT_ENTRIES)


KEPT = LRUCache[Any, Any](KEPT_ENTRIES, _room)
KEPT_LOCK = threading.Lock()


def let_go() -> None:
    """Close the archives that threads which have ended left open."""
    alive = {thread.ident for thread in threading.enumerate()}
    with KEPT_LOCK:
        for key in [key for key in KEPT if key[-1] not in alive]:
            del KEPT[key]


@cached(KEPT, lock=KEPT_LOCK)
def _opened(path: str, known: str, _thread: int) -> tuple[ZipFile, Mapping[str, ZipInfo]]:
    """Return an open archive and its entries by true name, kept while its signature stays the same.

    Each thread has its own, since one ``ZipFile`` is not made for several. It is closed with the last who uses it.
    """
    with damage("is damaged"):
        archive = ZipFile(path)
    if signature(Path(path).stat()) != known:
        raise ArchiveError("changed while it was read", "run again when nothing writes to it")
    return archive, {entry.orig_filename: entry for entry in archive.infolist()}


def unpack(archive: ZipFile, entry: ZipInfo) -> Iterator[bytes]:
    """Yield the bytes of one member of an open archive; exactly as many as declared, with the declared CRC-32.

    Raises ArchiveError when there are fewer, the CRC-32 differs, the packed data are damaged or the local header
    contradicts the directory. More than are declared are never unpacked; what is declared then has another CRC-32.
    """
    count = 0
    with damage(f"{entry.orig_filename!r} is damaged"), archive.open(entry) as member:
        while piece := member.read(PIECE):
            count += len(piece)
            yield piece
    if count != entry.file_size:
        raise ArchiveError(f"{entry.orig_filename!r} is damaged: {count:,} bytes instead of {entry.file_size:,}")
