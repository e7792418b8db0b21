"""What lies in the sources and is wanted by nothing."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from contextlib import suppress
from typing import NamedTuple

from pipeline.errors import CheckError
from pipeline.model.content import Location
from pipeline.sources.files.archive import ArchiveError
from pipeline.sources.files.database import Database
from pipeline.sources.files.digest import digest
from pipeline.sources.files.entry import SourceEntry


class Unwanted(NamedTuple):
    """A file or member that nothing wants, with its size in bytes."""

    location: Location
    size: int


def unwanted(
    store: Database, hashes: Collection[str], sizes: Collection[int], progress: Callable[[int], None]
) -> Iterator[Unwanted]:
    """Yield the sources that are none of the wanted contents, in order of preference.

    Only those of a wanted size are hashed. An archive counts by what it holds. ``progress`` is told the bytes just
    hashed.
    """
    archives = {source.path for source in store.sources() if source.member is not None}
    for source in store.in_order():
        if source.member is None and source.path in archives:
            continue
        sha256 = source.sha256
        if sha256 is None and source.size in sizes:
            sha256 = _hash(store, source)
            progress(source.size)
        if sha256 not in hashes:
            yield Unwanted(source.location, source.size)


def _hash(store: Database, source: SourceEntry) -> str | None:
    """Return the SHA-256 of a source, None where it cannot be read."""
    with suppress(OSError, ArchiveError, CheckError):
        known = digest(source.location)
        store.remember([(source, known)])
        return known.sha256
    return None
