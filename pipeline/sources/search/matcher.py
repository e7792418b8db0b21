"""Go through sources in order of preference, hash what may be wanted, and note what was found."""

from __future__ import annotations

import os
from collections import Counter, deque
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from itertools import groupby
from typing import Any, Protocol

from pipeline.errors import CheckError
from pipeline.model.content import Content, Location
from pipeline.processes import divided, processors
from pipeline.sources.files.archive import ArchiveError
from pipeline.sources.files.database import Database
from pipeline.sources.files.digest import Digest, Take, digest, digest_members
from pipeline.sources.files.entry import SourceEntry
from pipeline.sources.files.problems import reason
from pipeline.sources.search.packed import PackedMapping, PackedSources

BATCH_SOURCES, BATCH_BYTES = 256, 64 << 20
"""Hashed between two looks at what is still wanted, and by a killed run in vain, at most (or one larger source)."""

WORTH_DIVIDING, EACH = 128 << 20, 32 << 10
"""Bytes to be hashed from which several processes are quicker than one; what a source counts for beside its own."""


class Taker(Protocol):
    """Makes use of what a search reads, in the process that reads it; what it made is received where that began."""

    def take(self, found: Digest, parts: list[bytes], /) -> None:
        """Take the pieces of a content that was just hashed."""

    def made(self) -> Any:
        """Return what was made since this was last asked for."""

    def receive(self, made: Any, /) -> None:
        """Take over what was made, here or elsewhere."""


class Targets:
    """What is looked for among some sources: how many contents, by their declared CRC-32 (None where none is)."""

    __slots__ = ("checks", "unchecked")

    def __init__(self) -> None:
        self.checks = Counter[int | None]()
        self.unchecked: Aims = ((self, None),)

    def done(self, check: int | None) -> None:
        """Look no longer for one of the contents with a CRC-32."""
        self.checks[check] -= 1
        if not self.checks[check]:
            del self.checks[check]

    def fits(self, source: SourceEntry) -> bool:
        """Whether a source may hold what is looked for, as far as an archive's directory tells."""
        if source.member is None:
            return bool(self.checks)
        return source.crc32 is None or None in self.checks or source.crc32 in self.checks


Aims = tuple[tuple[Targets, int | None], ...]
"""Among which sources a content is looked for, each time with the CRC-32 declared for it."""

Group = tuple[bytes, list[str] | None]
"""Members of an archive that are hashed together, or a file."""

Batch = list[tuple[SourceEntry, bool]]
"""Sources that are looked at together, each with whether it is to be hashed."""


class Matcher:
    """One search under way: what is sought, what of it was found, and what the index does not keep of what was hashed.

    What is sought becomes a few bytes when it is found: there may be a hundred thousand contents.
    """

    def __init__(
        self, store: Database, progress: Callable[[int], None], taker: Taker | None = None, processes: int = 0
    ) -> None:
        self._store, self._progress, self._taker, self._processes = store, progress, taker, processes
        self._sought: dict[str, Aims | bytes] = {}
        self._packed = PackedSources()
        self._digests: dict[tuple[bytes, str | None], Digest] = {}
        self._failures: dict[tuple[bytes, str | None], str] = {}

    @property
    def contents(self) -> Mapping[str, Content]:
        """The contents that were found, by SHA-256, each with its size and its true CRC-32."""
        return PackedMapping(self._sought, self._packed.content)

    @property
    def locations(self) -> Mapping[str, Location]:
        """Where these lie."""
        return PackedMapping(self._sought, self._packed.location)

    def hash_of(self, source: SourceEntry) -> str | None:
        """Return the SHA-256 of a source, None while it is not hashed or cannot be."""
        known = self._digests.get((source.path, source.member)) if self._digests else None
        return known.sha256 if known else source.sha256

    def crc32_of(self, source: SourceEntry) -> int | None:
        """Return the CRC-32 of a source, None for a file that is not hashed."""
        known = self._digests.get((source.path, source.member)) if self._digests else None
        return known.crc32 if known else source.crc32

    def failure(self, source: SourceEntry) -> str:
        """Return why a source could not be hashed, "" if it could or was not tried."""
        return self._failures.get((source.path, source.member), "")

    def is_found(self, sha256: str | None) -> bool:
        """Whether a content was found."""
        return isinstance(self._sought.get(sha256 or ""), bytes)

    def seek(self, content: Content, targets: Targets) -> bool:
        """Look for a content among some sources too; return whether it is looked for among others already."""
        aims = self._sought.get(content.sha256, ())
        if isinstance(aims, bytes) or (targets, content.crc32) in aims:
            return False
        added = targets.unchecked if content.crc32 is None else ((targets, content.crc32),)
        self._sought[content.sha256] = (*aims, *added) if aims else added
        targets.checks[content.crc32] += 1
        return any(other is not targets for other, _ in aims)

    def hash_all(self, sources: Iterable[SourceEntry]) -> None:
        """Hash each source whose SHA-256 is not known yet."""
        ordered = sorted(sources, key=lambda source: source.order)
        unknown = [(source, True) for source in ordered if self.hash_of(source) is None]
        cost = sum(source.size + EACH for source, _ in unknown)
        for batch, results in self._hashed(unknown, cost):
            self._learn(batch, results, is_kept=True)

    def through(self, sizes: Collection[int] | None, aim_of: Callable[[SourceEntry], Targets | None]) -> None:
        """Look in each source for its aim, the preferred ones first, and leave out what is found from then on.

        ``sizes``: of the sources, None for all of them.
        """
        cost = self._store.cost_of_unhashed(sizes, EACH)
        for batch, results in self._hashed(self._fitting(sizes, aim_of), cost):
            for source, sha256, crc32 in self._learn(batch, results):
                aims, aim = self._sought.get(sha256), aim_of(source)
                if isinstance(aims, tuple) and any(targets is aim for targets, _ in aims):
                    self._sought[sha256] = self._packed.pack(source, crc32)
                    for targets, check in aims:
                        targets.done(check)

    def _fitting(
        self, sizes: Collection[int] | None, aim_of: Callable[[SourceEntry], Targets | None]
    ) -> Iterator[tuple[SourceEntry, bool]]:
        """Yield the sources that may be what they are looked through for, each with whether it is to be hashed."""
        for source in self._store.in_order(sizes):
            aim = aim_of(source)
            if aim is not None and aim.fits(source):
                yield source, source.sha256 is None and not self._was_tried(source)

    def _was_tried(self, source: SourceEntry) -> bool:
        key = source.path, source.member
        return key in self._digests or key in self._failures

    def _hashed(
        self, sources: Iterable[tuple[SourceEntry, bool]], cost: int
    ) -> Iterator[tuple[Batch, list[Digest | str]]]:
        """Yield sources batch by batch, with the results of those that are to be hashed.

        ``cost``: what they count for at most, from which follows whether several processes do it.
        """
        count = 1 if cost < WORTH_DIVIDING else self._processes or processors()
        batches = deque[Batch]()

        def work() -> Iterator[list[Group]]:
            for batch in _batches(sources):
                batches.append(batch)
                yield _groups(source for source, is_unknown in batch if is_unknown)

        for results, made in divided(count, self._hash, work()):
            if self._taker:
                self._taker.receive(made)
            yield batches.popleft(), results

    def _hash(self, groups: list[Group]) -> tuple[list[Digest | str], Any]:
        """Return the digest of each member and file, or why it cannot be had, and what the taker made."""
        take = self._taker.take if self._taker else None
        results = [result for path, names in groups for result in _try(path, names, take)]
        return results, self._taker.made() if self._taker else None

    def _learn(
        self, batch: Batch, results: list[Digest | str], *, is_kept: bool = False
    ) -> list[tuple[SourceEntry, str, int | None]]:
        """Remember what sources are; return those of which it is known, with their SHA-256 and CRC-32, in their order.

        ``is_kept``: keep each digest here too, where the index has it, since these sources are asked for it again.
        """
        learned, fresh, arriving = list[tuple[SourceEntry, str, int | None]](), [], iter(results)
        for source, is_unknown in batch:
            if not is_unknown:
                if sha256 := self.hash_of(source):
                    learned.append((source, sha256, self.crc32_of(source)))
                continue
            self._progress(source.size)
            result = _as_declared(source, next(arriving))
            if isinstance(result, str):
                self._failures[source.path, source.member] = result
            else:
                fresh.append((source, result))
                learned.append((source, result.sha256, result.crc32))
        if fresh and (not self._store.remember(fresh) or is_kept):
            self._digests |= {(source.path, source.member): digest for source, digest in fresh}
        return learned


def _batches(sources: Iterable[tuple[SourceEntry, bool]]) -> Iterator[Batch]:
    """Yield sources in their order, each given with whether it has to be hashed."""
    batch, size = Batch(), 0
    for source, is_unknown in sources:
        batch.append((source, is_unknown))
        size += source.size * is_unknown
        if len(batch) == BATCH_SOURCES or size > BATCH_BYTES:
            yield batch
            batch, size = [], 0
    if batch:
        yield batch


def _groups(sources: Iterable[SourceEntry]) -> list[Group]:
    """Return files, and members together that lie in one archive."""
    groups = list[Group]()
    for (path, is_file), together in groupby(sources, key=lambda source: (source.path, source.member is None)):
        groups.append((path, None if is_file else [source.member or "" for source in together]))
    return groups


def _try(path: bytes, names: list[str] | None, take: Take | None) -> Sequence[Digest | str]:
    """Return the digest of a file or of each of an archive's members, or why it cannot be had.

    ``take`` is given what was read.
    """
    place = os.fsdecode(path)
    try:
        if names is None:
            return [digest(Location(path=place), take)]
        found = digest_members(place, names, take)
        return [one.what if isinstance(one, ArchiveError) else one for one in found]
    except OSError as error:
        what = f"it cannot be read: {reason(error)}"
    except ArchiveError as error:
        what = error.what
    except CheckError:
        what = "it changed while it was read"
    return [what] * (1 if names is None else len(names))


def _as_declared(source: SourceEntry, found: Digest | str) -> Digest | str:
    if isinstance(found, str) or found.size == source.size:
        return found
    return "it changed after the sources were looked through"
