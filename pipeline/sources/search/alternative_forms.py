"""Look for contents that are missing among the other forms of source files.

Each file of a plausible size is read once; which of its forms were looked at and what they are is remembered by its
content, so that a later search costs nothing. What one search reads is limited; the next one goes on from there.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from typing import NamedTuple

from pipeline.errors import CheckError
from pipeline.model.content import Content
from pipeline.model.derived import AlternativeForms, Derived
from pipeline.sources.files.archive import ArchiveError
from pipeline.sources.files.database import Database, FormRow
from pipeline.sources.files.digest import Digest, digest
from pipeline.sources.files.entry import SourceEntry

LARGEST = 16 << 20
"""Bytes of a file that is still tried; the dump of a chip is smaller."""
MOST = 128 << 20
"""Bytes that one search reads; a few seconds' work."""


BATCH = 256
"""Files tried between two times that the index is written."""


class _Try(NamedTuple):
    """A source that was read, the sizes of forms that were looked at, and those that it has."""

    source: SourceEntry
    known: Digest
    sizes: set[int]
    forms: list[FormRow]


class Derivation(NamedTuple):
    """What a search gave: for each wanted SHA-256 what becomes it, and how many files were left for the next search."""

    derived: Mapping[str, Derived]
    left: int


def derive(
    store: Database, wanted: Iterable[Content], alternatives: AlternativeForms, progress: Callable[[int], None]
) -> Derivation:
    """Return which source becomes which wanted content by one change; contents of unknown size are not looked for.

    Of several sources the preferred one is named. ``progress`` is told the bytes just read.
    """
    contents = {content.sha256: content for content in wanted if content.size}
    sizes = {content.size for content in contents.values() if content.size}
    sources: dict[str, list[SourceEntry]] = defaultdict(list)
    room, left, tries, tried = MOST, 0, list[_Try](), store.tried() if sizes else {}
    for source, fitting in _plausible(store, sizes, alternatives):
        sha256 = source.sha256
        untried = fitting - tried.get(sha256 or "", set())
        if untried and source.size > room:
            left += 1
            continue
        if untried:
            room -= source.size
            known, forms = _forms(source, untried, alternatives)
            sha256 = known.sha256 if known else None
            if known:
                tried.setdefault(known.sha256, set()).update(untried)
                tries.append(_Try(source, known, untried, forms))
            progress(source.size)
        if sha256:
            sources[sha256].append(source)
        if len(tries) == BATCH:
            _keep(store, tries)
    if tries:
        _keep(store, tries)
    found = {wanted: _best(store.forms(wanted), sources) for wanted in contents}
    return Derivation({sha256: derived for sha256, derived in found.items() if derived}, left)


def _plausible(
    store: Database, sizes: set[int], alternatives: AlternativeForms
) -> Iterator[tuple[SourceEntry, set[int]]]:
    """Yield the sources that may have a form of a wanted size with these sizes, the preferred first."""
    fitting: dict[int, set[int]] = {}
    chosen = []
    for source in store.sources() if sizes else ():
        if source.size not in fitting:
            fitting[source.size] = {wanted for wanted in sizes if alternatives.fits(source.size, wanted)}
        if fitting[source.size] and source.size <= LARGEST:
            chosen.append(source)
    for source in sorted(chosen, key=lambda source: source.order):
        yield source, fitting[source.size]


def _forms(source: SourceEntry, sizes: set[int], alternatives: AlternativeForms) -> tuple[Digest | None, list[FormRow]]:
    """Return the digest of a source and its forms that have these sizes; None where it cannot be read."""
    parts = list[bytes]()
    known: Digest | None = None
    with suppress(OSError, ArchiveError, CheckError):
        known = digest(source.location, parts.append)
    if known is None:
        return None, []
    data = b"".join(parts)
    return known, [
        FormRow(hashlib.sha256(form.data).hexdigest(), known.sha256, form.how, form.change)
        for size in sorted(sizes)
        for form in alternatives.forms(data, size)
    ]


def _keep(store: Database, tries: list[_Try]) -> None:
    """Remember what was tried, and forget the list."""
    store.remember([(one.source, one.known) for one in tries])
    store.put_forms([(one.known.sha256, size) for one in tries for size in one.sizes],
                    [form for one in tries for form in one.forms])  # fmt: skip
    tries.clear()


def _best(rows: Iterable[FormRow], sources: Mapping[str, list[SourceEntry]]) -> Derived | None:
    """Return the way from the preferred source, None where none of the sources is there any more."""
    there = [(source, row) for row in rows for source in sources.get(row.source, ())]
    if not there:
        return None
    source, row = min(there, key=lambda pair: pair[0].order)
    content = Content(sha256=row.source, size=source.size)
    return Derived(location=source.location, content=content, how=row.how, change=row.change)
