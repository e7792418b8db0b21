"""Find wanted contents among the sources, hashing as little as decides.

A content of known size is looked for among sources of that size, and archive members only where their CRC-32 is
the declared one, if one is declared. A content known by its hash alone is looked for among sources with a likely
name first, then everywhere. Each of these goes through the sources in order of preference and stops when nothing is
left to find, so the answer does not depend on what earlier runs happened to remember.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from functools import partial

from pipeline.model.content import Found, Wanted
from pipeline.sources.files.database import Database
from pipeline.sources.files.entry import SourceEntry, fold
from pipeline.sources.search.matcher import Matcher, Taker, Targets
from pipeline.sources.search.nearest import nearest


def find(
    store: Database,
    wanted: Iterable[Wanted],
    progress: Callable[[int], None],
    taker: Taker | None = None,
    processes: int = 0,
) -> Found:
    """Return where the wanted contents lie, and for each missing one the source nearest to it.

    A declared CRC-32 that contradicts its SHA-256 is no error, but hides archive members, since they are not unpacked
    to see; ``Found.contents`` has the true CRC-32. A content of another size than declared is missing. ``progress``
    is told the bytes just hashed, and ``taker`` given what is read; much is read in ``processes``, 0 for as many as
    there are processors. ``wanted`` is gone through again for what is missing.
    """
    matcher, by_size = Matcher(store, progress, taker, processes), defaultdict[int, Targets](Targets)
    is_complete = True
    for content in (want.content for want in wanted):
        if content.size is None or matcher.seek(content, by_size[content.size]):
            is_complete = False
    matcher.through(by_size, lambda source: by_size[source.size])
    if not is_complete:
        _find_by_hash(matcher, wanted)
    if is_complete and not any(targets.checks for targets in by_size.values()):
        return Found(locations=matcher.locations, contents=matcher.contents, missing=())
    found = matcher.contents
    missing = [
        want
        for want in wanted
        if (known := found.get(want.content.sha256)) is None or want.content.size not in (None, known.size)
    ]
    return Found(
        locations=matcher.locations,
        contents=found,
        missing=tuple(zip(missing, nearest(missing, store.sources, matcher), strict=True)),
    )


def _find_by_hash(matcher: Matcher, wanted: Iterable[Wanted]) -> None:
    """Look for contents of unknown size: under a likely name, then under any."""
    unsized = [want for want in wanted if want.content.size is None and not matcher.is_found(want.content.sha256)]
    if not unsized:
        return
    named = defaultdict[str, Targets](Targets)
    for want in unsized:
        for name in want.file_names:
            matcher.seek(want.content, named[fold(name)])

    def named_so(number: int, source: SourceEntry) -> Targets | None:
        return next((named[name] for name in source.names[number : number + 1] if name in named), None)

    matcher.through(None, partial(named_so, 0))  # the whole name
    matcher.through(None, partial(named_so, 1))  # without its extension
    rest = Targets()
    for want in unsized:
        matcher.seek(want.content, rest)
    if rest.checks:
        matcher.through(None, lambda _: rest)
