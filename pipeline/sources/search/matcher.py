"""Go through sources in order of preference, hash what may be wanted, and note what was found."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import Any, Protocol

from pipeline.errors import CheckError
from pipeline.model.content import Content
from pipeline.processes import divided, processors
from pipeline.sources.files.archive import ArchiveError
from pipeline.sources.files.database import Database
from pipeline.sources.files.digest import Digest, Take, digest, digest_members
from pipeline.sources.files.entry import SourceEntry
from pipeline.sources.files.problems import reason

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


@dataclass(slots=True)
class Targets:
    """Hashes looked for among some sources, each with the CRC-32s declared for it (None where none is)."""

    hashes: dict[str, set[int | None]] = field(default_factory=dict)
    checks: Counter[int | None] = field(default_factory=Counter)

    def add(self, content: Content) -> None:
        """Look for a content too."""
        checks = self.hashes.setdefault(content.sha256, set())
        if content.crc32 not in checks:
            checks.add(content.crc32)
            self.checks[content.crc32] += 1

    def done(self, sha256: str) -> None:
        """Look no longer for a hash."""
        self.checks -= Counter(self.hashes.pop(sha256))

    def fits(self, source: SourceEntry) -> bool:
        """Whether a source may hold what is looked for, as far as an archive's directory tells."""
        if source.member is None:
            return bool(self.hashes)
        return source.crc32 is None or None in self.checks or source.crc32 in self.checks


class Matcher:
    """One search under way: what was found, what was hashed, and why some sources could not be."""

    def __init__(
        self, store: Database, progress: Callable[[int], None], taker: Taker | None = None, processes: int = 0
    ) -> None:
        self._store, self._progress, self._taker, self._processes = store, progress, taker, processes
        self.found: dict[str, SourceEntry] = {}
        self._digests: dict[tuple[bytes, str | None], Digest] = {}
        self._failures: dict[tuple[bytes, str | None], str] = {}

    def hash_of(self, source: SourceEntry) -> str | None:
        """Return the SHA-256 of a source, None while it is not hashed or cannot be."""
        known = self._digests.get((source.path, source.member))
        return known.sha256 if known else source.sha256

    def crc32_of(self, source: SourceEntry) -> int | None:
        """Return the CRC-32 of a source, None for a file that is not hashed."""
        known = self._digests.get((source.path, source.member))
        return known.crc32 if known else source.crc32

    def failure(self, source: SourceEntry) -> str:
        """Return why a source could not be hashed, "" if it could or was not tried."""
        return self._failures.get((source.path, source.member), "")

    def hash_all(self, sources: Iterable[SourceEntry]) -> None:
        """Hash each source whose SHA-256 is not known yet."""
        ordered = sorted(sources, key=lambda source: source.order)
        unknown = [source for source in ordered if self.hash_of(source) is None]
        batches = _batches((source, True) for source in unknown)
        for _, hashed, results, _ in divided(self._count(unknown), self._hash, batches):
            self._remember(hashed, results)

    def content(self, sha256: str) -> Content:
        """Return a found content with its size and its true CRC-32."""
        source = self.found[sha256]
        return Content(sha256=sha256, size=source.size, crc32=self.crc32_of(source))

    def through(self, sources: Iterable[SourceEntry], aim_of: Callable[[SourceEntry], Targets]) -> None:
        """Look in each source for its aim, the preferred ones first, and leave out what is found from then on."""
        ordered = sorted(sources, key=lambda source: source.order)
        count = self._count(source for source in ordered if self._is_unknown(source) and aim_of(source).fits(source))
        fitting = ((source, self._is_unknown(source)) for source in ordered if aim_of(source).fits(source))
        for batch, unknown, results, made in divided(count, self._hash, _batches(fitting)):
            if self._taker:
                self._taker.receive(made)
            self._remember(unknown, results)
            for source in batch:
                sha256, aim = self.hash_of(source), aim_of(source)
                if sha256 in aim.hashes:
                    self.found.setdefault(sha256, source)
                    aim.done(sha256)

    def _count(self, unknown: Iterable[SourceEntry]) -> int:
        """Return in how many processes sources are hashed."""
        cost = sum(source.size + EACH for source in unknown)
        return 1 if cost < WORTH_DIVIDING else self._processes or processors()

    def _is_unknown(self, source: SourceEntry) -> bool:
        return self.hash_of(source) is None and not self.failure(source)

    def _hash(self, sources: Batch) -> tuple[list[SourceEntry], list[SourceEntry], list[Digest | str], Any]:
        """Hash the second of two lists, and return both with the results and what the taker made."""
        batch, unknown = sources
        if not self._taker:
            return batch, unknown, _try_all(unknown), None
        results = _try_all(unknown, self._taker.take)
        return batch, unknown, results, self._taker.made()

    def _remember(self, sources: list[SourceEntry], results: list[Digest | str]) -> None:
        """Remember what sources are."""
        fresh = []
        for source, result in zip(sources, results, strict=True):
            if isinstance(result, str):
                self._failures[source.path, source.member] = result
            else:
                self._digests[source.path, source.member] = result
                fresh.append((source, result))
            self._progress(source.size)
        if fresh:
            self._store.remember(fresh)


Batch = tuple[list[SourceEntry], list[SourceEntry]]
"""Sources that are looked at together, and those of them that are not hashed yet."""


def _batches(sources: Iterable[tuple[SourceEntry, bool]]) -> Iterator[Batch]:
    """Yield sources in their order, each given with whether it has to be hashed."""
    batch, unknown, size = list[SourceEntry](), list[SourceEntry](), 0
    for source, is_unknown in sources:
        batch.append(source)
        if is_unknown:
            unknown.append(source)
            size += source.size
        if len(batch) == BATCH_SOURCES or size > BATCH_BYTES:
            yield batch, unknown
            batch, unknown, size = [], [], 0
    if batch:
        yield batch, unknown


def _try_all(sources: list[SourceEntry], take: Take | None = None) -> list[Digest | str]:
    """Return the digest of each source, or why it cannot be had; those of one archive together.

    ``take`` is given what was read.
    """
    results = list[Digest | str]()
    for (path, is_member), group in groupby(sources, key=lambda source: (source.path, source.member is not None)):
        together = list(group)
        found: Sequence[Digest | ArchiveError]
        try:
            if is_member:
                found = digest_members(os.fsdecode(path), [source.member or "" for source in together], take)
            else:
                found = [digest(source.location, take) for source in together]
            results += map(_as_declared, together, found)
        except OSError as error:
            results += [f"it cannot be read: {reason(error)}"] * len(together)
        except ArchiveError as error:
            results += [error.what] * len(together)
        except CheckError:
            results += ["it changed while it was read"] * len(together)
    return results


def _as_declared(source: SourceEntry, found: Digest | ArchiveError) -> Digest | str:
    if isinstance(found, ArchiveError):
        return found.what
    return found if found.size == source.size else "it changed after the sources were looked through"
