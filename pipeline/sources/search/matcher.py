"""Go through sources in order of preference, hash what may be wanted, and note what was found."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor
from dataclasses import dataclass, field
from itertools import chain, groupby, repeat
from threading import Event

from pipeline.errors import CheckError
from pipeline.model.content import Content
from pipeline.sources.files.archive import ArchiveError
from pipeline.sources.files.database import Database
from pipeline.sources.files.digest import SMALL, Digest, digest, digest_members, drop
from pipeline.sources.files.entry import SourceEntry
from pipeline.sources.files.problems import reason

WORKERS = min(8, os.cpu_count() or 1)
BATCH_SOURCES, BATCH_BYTES = 256, 256 << 20
"""Hashed between two looks at what is still wanted, and by a killed run in vain, at most (or one larger source)."""

SHARE = 16
"""Sources a thread hashes at a time; handing over each alone costs more than hashing a small one."""


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

    def __init__(self, store: Database, pool: Executor, progress: Callable[[int], None]) -> None:
        self._store, self._pool, self._progress = store, pool, progress
        self.found: dict[str, SourceEntry] = {}
        self._digests: dict[tuple[bytes, str | None], Digest] = {}
        self._failures: dict[tuple[bytes, str | None], str] = {}
        self._interrupted = Event()

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
        for batch in _batches(sorted(sources, key=lambda source: source.order)):
            self.hash([source for source in batch if self.hash_of(source) is None])

    def content(self, sha256: str) -> Content:
        """Return a found content with its size and its true CRC-32."""
        source = self.found[sha256]
        return Content(sha256=sha256, size=source.size, crc32=self.crc32_of(source))

    def through(self, sources: Iterable[SourceEntry], aim_of: Callable[[SourceEntry], Targets]) -> None:
        """Look in each source for its aim, the preferred ones first, and leave out what is found from then on."""
        preferred = sorted(sources, key=lambda source: source.order)
        for batch in _batches(source for source in preferred if aim_of(source).fits(source)):
            self.hash([source for source in batch if self.hash_of(source) is None and not self.failure(source)])
            for source in batch:
                sha256, aim = self.hash_of(source), aim_of(source)
                if sha256 in aim.hashes:
                    self.found.setdefault(sha256, source)
                    aim.done(sha256)

    def hash(self, sources: list[SourceEntry]) -> None:
        """Hash sources side by side and remember what they are."""
        fresh = []
        if sum(source.size for source in sources) < SMALL * len(sources):
            results = _try_all(sources)
        else:
            results = self._in_threads([sources[at : at + SHARE] for at in range(0, len(sources), SHARE)])
        for source, result in zip(sources, results, strict=True):
            if isinstance(result, str):
                self._failures[source.path, source.member] = result
            else:
                self._digests[source.path, source.member] = result
                fresh.append((source, result))
            self._progress(source.size)
        if fresh:
            self._store.remember(fresh)

    def _in_threads(self, shares: list[list[SourceEntry]]) -> list[Digest | str]:
        """Return the results of all shares; an interrupt ends the threads too, in the middle of a file."""
        try:
            return [*chain.from_iterable(self._pool.map(_try_all, shares, repeat(self._go_on)))]
        except BaseException:
            self._interrupted.set()
            raise

    def _go_on(self, _: bytes) -> None:
        if self._interrupted.is_set():
            raise _InterruptedError


def _batches(sources: Iterable[SourceEntry]) -> Iterator[list[SourceEntry]]:
    """Yield sources in their order, so many together as are hashed between two looks at what is still wanted."""
    batch, size = list[SourceEntry](), 0
    for source in sources:
        batch.append(source)
        size += source.size
        if len(batch) == BATCH_SOURCES or size > BATCH_BYTES:
            yield batch
            batch, size = [], 0
    if batch:
        yield batch


class _InterruptedError(Exception):
    """Ends a thread whose result nobody waits for."""


def _try_all(sources: list[SourceEntry], keep: Callable[[bytes], None] = drop) -> list[Digest | str]:
    """Return the digest of each source, or why it cannot be had; those of one archive together.

    ``keep`` is given what was read, a piece at a time.
    """
    results = list[Digest | str]()
    for (path, is_member), group in groupby(sources, key=lambda source: (source.path, source.member is not None)):
        together = list(group)
        try:
            if is_member:
                found = digest_members(os.fsdecode(path), [source.member or "" for source in together], keep)
            else:
                found = [digest(source.location, keep) for source in together]
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
