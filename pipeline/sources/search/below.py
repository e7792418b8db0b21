"""Everything that lies below a folder, hashed."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path

from pipeline.model.content import Content, Location
from pipeline.sources.files.database import Database
from pipeline.sources.files.entry import SourceEntry
from pipeline.sources.search.matcher import Matcher


def is_below(source: SourceEntry, folder: bytes) -> bool:
    """Whether a source lies in a folder or archive, or is the file itself."""
    return source.path == folder or source.path.startswith(folder.rstrip(b"/") + os.fsencode(os.sep))


def files_below(
    store: Database, folder: Path, counts: Callable[[Location], bool], progress: Callable[[int], None]
) -> Iterator[tuple[Location, Content | str]]:
    """Yield what lies below a folder and ``counts``, in order of path and member: its content, or why there is none.

    An archive is there beside what it holds. ``progress`` is told the bytes just hashed.
    """
    at = os.fsencode(folder.absolute())
    sources = [source for source in store.sources() if is_below(source, at) and counts(source.location)]
    matcher = Matcher(store, progress)
    matcher.hash_all(sources)
    for source in sorted(sources, key=lambda source: (source.path, source.member or "")):
        sha256 = matcher.hash_of(source)
        content = Content(sha256=sha256, size=source.size, crc32=matcher.crc32_of(source)) if sha256 else None
        yield source.location, content or matcher.failure(source)
