"""The bytes of a file or of an archive's member, a piece at a time, counted while they arrive."""

from __future__ import annotations

import os
from collections.abc import Iterator
from functools import partial
from io import BufferedReader
from pathlib import Path
from typing import Any, BinaryIO

from cachetools import LRUCache, cached

from pipeline.model.content import Location
from pipeline.sources.files.archive import PIECE, ArchiveError
from pipeline.sources.files.members import Opened
from pipeline.sources.files.problems import open_file
from pipeline.sources.files.signature import signature

KEPT_ENTRIES, KEPT_ARCHIVES = 1 << 12, 64
"""Open archives that are kept, and entries of them (1.5 MiB); a title's chips lie anywhere, and opening takes long."""


def pieces(stream: BinaryIO, location: Location) -> Iterator[bytes]:
    """Yield the bytes at a location, whose file is open as ``stream``, in pieces of 1 to ``PIECE`` bytes.

    Raises ArchiveError when the archive or the member is damaged or not what its directory says.
    """
    stat = os.fstat(stream.fileno())
    if location.member is None:
        return iter(partial(stream.read, min(PIECE, stat.st_size + 1)), b"")
    return opened(location.path, signature(stat)).pieces(location.member)


def opened(path: str, known: str) -> Opened:
    """Return an archive that has a known signature; raises as ``pieces`` does. It is open until others take its place.

    Each process has its own, since a file that was open at a fork has one position for both.
    """
    return _opened(path, known, os.getpid())


def _room(opened: Opened) -> int:
    """Return how many entries an archive counts for; the largest has its place to itself."""
    return min(max(len(opened.entries), KEPT_ENTRIES // KEPT_ARCHIVES), KEPT_ENTRIES)


READ_AHEAD = 1 << 16
"""Bytes of an archive that are read together; small members lie side by side."""
KEPT = LRUCache[Any, Any](KEPT_ENTRIES, _room)
"""The archives that are open; for use in one thread."""


@cached(KEPT)
def _opened(path: str, known: str, _process: int) -> Opened:
    """Return an open archive, kept while its signature stays the same, and closed with the last who uses it."""
    archive = Opened(BufferedReader(open_file(path), READ_AHEAD), path)
    if signature(Path(path).stat()) != known:
        raise ArchiveError("changed while it was read", "run again when nothing writes to it")
    return archive
