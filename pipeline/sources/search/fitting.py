"""Find the files that fit what is known of a content, where its SHA-256 is not: all of them, since none is chosen."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from pipeline.model.content import Content, Fitting, Location, Sought
from pipeline.sources.files.database import Database
from pipeline.sources.files.entry import SourceEntry, fold
from pipeline.sources.search.below import is_below
from pipeline.sources.search.matcher import Matcher


def fitting(
    store: Database, sought: Sequence[Sought], below: Path | None, progress: Callable[[int], None]
) -> list[Fitting]:
    """Return for each content that is sought the files that fit it, after hashing those that may.

    A file of 0 bytes fits nothing. ``below``: only what lies in this folder or archive counts, None for all that was
    scanned. ``progress`` is told the bytes just hashed.
    """
    likely = _likely(store.sources(), sought, os.fsencode(below.absolute()) if below else None)
    matcher = Matcher(store, progress)
    matcher.hash_all({source for sources in likely for source in sources})
    return [_fitting(matcher, target, sources) for target, sources in zip(sought, likely, strict=True)]


def _likely(sources: Iterable[SourceEntry], sought: Sequence[Sought], below: bytes | None) -> list[list[SourceEntry]]:
    """Return for each content the sources that may fit it, as far as is known without reading them."""
    named, sized = defaultdict[str, list[int]](list), defaultdict[int, list[int]](list)
    for number, target in enumerate(sought):
        for name in {fold(name) for name in target.names} if target.by_name else ():
            named[name].append(number)
        if not target.by_name and target.size:
            sized[target.size].append(number)
    likely: list[list[SourceEntry]] = [[] for _ in sought]
    for source in sources:
        numbers = {number for name in source.names for number in named.get(name, ())}
        for number in numbers.union(sized.get(source.size, ())):
            if _may_fit(sought[number], source) and (below is None or is_below(source, below)):
                likely[number].append(source)
    return likely


def _may_fit(sought: Sought, source: SourceEntry) -> bool:
    """Whether size and CRC-32 are not in the way, as far as they are known."""
    has_check = sought.crc32 is None or source.crc32 in (None, sought.crc32)
    return source.size > 0 and sought.size in (None, source.size) and has_check


def _fitting(matcher: Matcher, sought: Sought, sources: Iterable[SourceEntry]) -> Fitting:
    contents, failures = defaultdict[Content, list[Location]](list), list[tuple[Location, str]]()
    for source in sorted(sources, key=lambda source: source.order):
        sha256, crc32 = matcher.hash_of(source), matcher.crc32_of(source)
        if sha256 is None:
            failures.append((source.location, matcher.failure(source)))
        elif sought.crc32 in (None, crc32):
            contents[Content(sha256=sha256, size=source.size, crc32=crc32)].append(source.location)
    return Fitting(contents={content: tuple(places) for content, places in contents.items()}, failures=tuple(failures))
