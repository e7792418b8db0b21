"""Find wanted contents among the sources, hashing as little as decides.

A content of known size is looked for among sources of that size, and archive members only where their CRC-32 is
the declared one, if one is declared. A content known by its hash alone is looked for among sources with a likely
name first, then everywhere. Each of these goes through the sources in order of preference and stops when nothing is
left to find, so the answer does not depend on what earlier runs happened to remember.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from functools import partial

from pipeline.model.content import Found, Wanted
from pipeline.sources.files.database import Database
from pipeline.sources.files.entry import SourceEntry, fold
from pipeline.sources.search.matcher import Matcher, Taker, Targets
from pipeline.sources.search.nearest import nearest


def find(
    store: Database,
    wanted: Sequence[Wanted],
    progress: Callable[[int], None],
    taker: Taker | None = None,
    processes: int = 0,
) -> Found:
    """Return where the wanted contents lie, and for each missing one the source nearest to it.

    A declared CRC-32 that contradicts its SHA-256 is no error, but hides archive members, since they are not unpacked
    to see; ``Found.contents`` has the true CRC-32. A content of another size than declared is missing. ``progress``
    is told the bytes just hashed, and ``taker`` given what is read; much is read in ``processes``, 0 for as many as
    there are processors.
    """
    hunt = Matcher(store, progress, taker, processes)
    _hunt_by_size(hunt, store, wanted)
    _hunt_by_hash(hunt, store, wanted)
    contents = {sha256: hunt.content(sha256) for sha256 in sorted(hunt.found)}
    missing = [
        w
        for w in wanted
        if (known := contents.get(w.content.sha256)) is None or w.content.size not in (None, known.size)
    ]
    return Found(
        locations={sha256: hunt.found[sha256].location for sha256 in contents},
        contents=contents,
        missing=tuple(zip(missing, nearest(missing, store.sources, hunt), strict=True)),
    )


def _hunt_by_size(hunt: Matcher, store: Database, wanted: Sequence[Wanted]) -> None:
    aims: dict[int, Targets] = defaultdict(Targets)
    for want in wanted:
        if want.content.size is not None:
            aims[want.content.size].add(want.content)
    hunt.through(store.sources_of(aims), lambda source: aims[source.size])


def _named(aims: dict[str, Targets], names: dict[SourceEntry, str], source: SourceEntry) -> Targets:
    return aims[names[source]]


def _hunt_by_hash(hunt: Matcher, store: Database, wanted: Sequence[Wanted]) -> None:
    """Look for contents of unknown size: under a likely name, then under any."""
    unsized = [w for w in wanted if w.content.size is None and w.content.sha256 not in hunt.found]
    if not unsized:
        return
    named: dict[str, Targets] = defaultdict(Targets)
    for want in unsized:
        for name in want.file_names:
            named[fold(name)].add(want.content)
    sources = list(store.sources())
    for number in (0, 1):  # the whole name, then without its extension
        alike = {source: name for source in sources for name in source.names[number : number + 1] if name in named}
        hunt.through(alike, partial(_named, named, alike))
    rest = Targets()
    for want in unsized:
        if want.content.sha256 not in hunt.found:
            rest.add(want.content)
    if rest.hashes:
        hunt.through(sources, lambda source: rest)
