"""Look for contents that are missing among the other forms of source files, and of neighbours in a folder together.

Each file of a plausible size is read once; which forms it has is remembered by its content, so that a later search
costs nothing. What one search reads is limited; the next one goes on from there.
"""

from __future__ import annotations

import hashlib
import os
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from contextlib import suppress
from itertools import groupby
from typing import NamedTuple

from pipeline.errors import CheckError
from pipeline.model.content import Content
from pipeline.model.derived import AlternativeForms, Derived, Form, FormSource
from pipeline.sources.files.archive import ArchiveError
from pipeline.sources.files.database import Database, FormRow, TriedRow
from pipeline.sources.files.digest import Digest, digest
from pipeline.sources.files.entry import SourceEntry

LARGEST = 16 << 20
"""Bytes of a file that is still tried, and of a content that is looked for; the dump of a chip is smaller."""
MOST = 128 << 20
"""Bytes that one search tries, a file's once for each size of its forms: ten to twenty seconds' work."""
BATCH = 256
"""Files tried between two times that the index is written."""
NEIGHBOURS = 4
"""How many files of a size after a file, by path in its folder or archive, are tried together with it."""
HEAD = 8
"""Bytes of a form's SHA-256 that are remembered; whatever they are equal to is worked out again."""


class Derivation(NamedTuple):
    """What a search gave: for each wanted SHA-256 what becomes it, and how many files were left for the next search."""

    derived: Mapping[str, Derived]
    left: int


def derive(
    store: Database, wanted: Iterable[Content], alternatives: AlternativeForms, progress: Callable[[int], None]
) -> Derivation:
    """Return which source, or which two, become which wanted content; contents of unknown size are not looked for.

    Of several sources the preferred one is named. ``progress`` is told the bytes just tried.
    """
    search = _Search(store, wanted, alternatives, progress)
    search.try_files()
    derived = search.derived()
    if lacking := search.hashes - derived.keys():
        search.try_pairs(lacking)
        derived |= search.derived()
    return Derivation(derived, search.left)


class _Search:
    """One search: what is wanted, what is remembered of earlier ones, and how much may still be read."""

    def __init__(
        self,
        store: Database,
        wanted: Iterable[Content],
        alternatives: AlternativeForms,
        progress: Callable[[int], None],
    ) -> None:
        self._store, self._alternatives, self._progress = store, alternatives, progress
        self.sizes: dict[int, set[str]] = defaultdict(set)
        for content in wanted:
            if content.size and content.size <= LARGEST:
                self.sizes[content.size].add(content.sha256)
        self.hashes = {sha256 for hashes in self.sizes.values() for sha256 in hashes}
        self._tried = {(row.source, row.second, row.size): row.heads for row in store.tried(self.sizes)}
        self._rows = {sha256: store.forms(sha256) for sha256 in self.hashes}
        self._sources: dict[str, list[SourceEntry]] = defaultdict(list)
        self._room, self._fresh, self._found = MOST, list[TriedRow](), list[FormRow]()
        self._read = list[tuple[SourceEntry, Digest]]()
        self._left = set[tuple[bytes, str | None]]()

    @property
    def left(self) -> int:
        """How many files were left for the next search."""
        return len(self._left)

    def try_files(self) -> None:
        """Try each file by itself."""
        for source, sizes in self._plausible():
            sha256 = source.sha256
            untried = {size for size in sizes if sha256 is None or self._is_untried(sha256, "", size)}
            if untried and self._room <= 0:
                self._left.add((source.path, source.member))
                continue
            if untried and (read := self._bytes(source, len(untried))):
                known, data = read
                sha256 = known.sha256
                for size in sorted(size for size in untried if self._is_untried(sha256, "", size)):
                    self._put(sha256, "", size, self._alternatives.forms(data, size))
            if sha256:
                self._sources[sha256].append(source)
        self._keep()

    def try_pairs(self, lacking: Collection[str]) -> None:
        """Try files together with their neighbours; the order of the two counts."""
        halves = [size // 2 for size, hashes in self.sizes.items() if size % 2 == 0 and not hashes.isdisjoint(lacking)]
        ordered = sorted(self._store.sources_of(halves), key=lambda source: (_group(source), source.order))
        for (*_, size), group in groupby(ordered, key=_group):
            sources = list(group)
            if len(sources) > 1:
                self._try_neighbours(sources, 2 * size)
        self._keep()

    def _try_neighbours(self, sources: list[SourceEntry], wanted: int) -> None:
        """Try each two neighbours among sources of one size, of which a chip may have a half each."""
        near: list[tuple[str, bytes]] = []
        for number, source in enumerate(sources):
            around = sources[max(number - NEIGHBOURS, 0) : number + NEIGHBOURS + 1]
            if all(self._are_tried(source, neighbour, wanted) for neighbour in around):
                self._sources[source.sha256 or ""].append(source)
                continue
            if self._room <= 0:
                self._left.add((source.path, source.member))
                continue
            if not (read := self._bytes(source, 1)):
                continue
            known, data = read
            self._sources[known.sha256].append(source)
            for sha256, earlier in near:
                for first, second, pair in (
                    (sha256, known.sha256, (earlier, data)),
                    (known.sha256, sha256, (data, earlier)),
                ):
                    if first != second and self._is_untried(first, second, wanted):
                        self._put(first, second, wanted, self._alternatives.pairs(*pair))
            near = [*near[1 - NEIGHBOURS :], (known.sha256, data)]

    def derived(self) -> dict[str, Derived]:
        """Return for each wanted SHA-256 the way from the preferred source, or sources, that are there."""
        ways = ((sha256, self._best(rows)) for sha256, rows in self._rows.items())
        return {sha256: derived for sha256, derived in ways if derived}

    def _plausible(self) -> Iterator[tuple[SourceEntry, set[int]]]:
        """Yield the sources that may have a form of a wanted size with these sizes, the preferred first."""
        fitting: dict[int, set[int]] = {}
        chosen = []
        for source in self._store.sources() if self.sizes else ():
            if source.size not in fitting:
                fitting[source.size] = {size for size in self.sizes if self._alternatives.fits(source.size, size)}
            if fitting[source.size] and source.size <= LARGEST:
                chosen.append(source)
        for source in sorted(chosen, key=lambda source: source.order):
            yield source, fitting[source.size]

    def _is_untried(self, source: str, second: str, size: int) -> bool:
        """Whether a form of a size is still to be looked for; also where one is wanted now that was not when tried."""
        heads = self._tried.get((source, second, size))
        if heads is None:
            return True
        now_wanted = (sha256 for sha256 in self.sizes[size] if bytes.fromhex(sha256[: 2 * HEAD]) in heads)
        return any((source, second) not in ((r.source, r.second) for r in self._rows[sha256]) for sha256 in now_wanted)

    def _are_tried(self, source: SourceEntry, neighbour: SourceEntry, size: int) -> bool:
        first, second = source.sha256, neighbour.sha256
        if first is None or second is None:
            return False
        return first == second or not (self._is_untried(first, second, size) or self._is_untried(second, first, size))

    def _bytes(self, source: SourceEntry, sizes: int) -> tuple[Digest, bytes] | None:
        """Return the digest and the bytes of a source to try for so many sizes; None where it cannot be read."""
        parts = list[bytes]()
        known: Digest | None = None
        with suppress(OSError, ArchiveError, CheckError):
            known = digest(source.location, lambda _, pieces: parts.extend(pieces))
        self._room -= source.size * sizes
        self._progress(source.size * sizes)
        if known is None:
            return None
        self._read.append((source, known))
        return known, b"".join(parts)

    def _put(self, source: str, second: str, size: int, forms: Iterable[Form]) -> None:
        """Take down the forms of one size that a file, or two, have."""
        heads = bytearray()
        for form in forms:
            made = hashlib.sha256(form.data)
            heads += made.digest()[:HEAD]
            sha256 = made.hexdigest()
            ways = self._rows.get(sha256)
            if ways is not None and not any((row.source, row.second) == (source, second) for row in ways):
                row = FormRow(sha256, source, second, form.how, form.change)
                ways.append(row)
                self._found.append(row)
        self._tried[source, second, size] = bytes(heads)
        self._fresh.append(TriedRow(source, second, size, bytes(heads)))
        if len(self._fresh) >= BATCH:
            self._keep()

    def _keep(self) -> None:
        """Write what was learned into the index."""
        if self._read:
            self._store.remember(self._read)
        if self._fresh:
            self._store.put_forms(self._fresh, self._found)
        for learned in (self._read, self._fresh, self._found):
            learned.clear()

    def _best(self, rows: Iterable[FormRow]) -> Derived | None:
        """Return the way from the preferred sources, one before two; None where they are not there any more."""
        ways = [(sources, row) for row in rows if (sources := self._sources_of(row))]
        if not ways:
            return None
        sources, row = min(ways, key=lambda way: (len(way[0]), [source.order for source in way[0]]))
        found = (
            FormSource(location=source.location, content=Content(sha256=sha256, size=source.size))
            for source, sha256 in zip(sources, (row.source, row.second), strict=False)
        )
        return Derived(sources=tuple(found), how=row.how, change=row.change)

    def _sources_of(self, row: FormRow) -> list[SourceEntry]:
        """Return the preferred source of the file, or of each of the two, of a form; none where one is not there."""
        places = [self._sources.get(sha256) for sha256 in (row.source, row.second) if sha256]
        return [min(sources, key=lambda source: source.order) for sources in places if sources] if all(places) else []


def _group(source: SourceEntry) -> tuple[bytes, str, int]:
    """Return the folder where a source lies, or its archive and the folder in that, and its size."""
    if source.member is None:
        return source.path.rpartition(os.fsencode(os.sep))[0], "", source.size
    return source.path, source.member.rpartition("/")[0], source.size
