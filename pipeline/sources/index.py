"""The index of files and their hashes: what callers hold. It is only a cache, and may be deleted at any time."""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Callable, Collection, Sequence
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import Self, TypeVar

from pipeline.errors import CheckError, Place, Problem
from pipeline.model.content import Content, Found, Location, Wanted
from pipeline.model.derived import Forming
from pipeline.model.manifest import ArchiveLimits
from pipeline.sources.files import scan as scanning
from pipeline.sources.files.archive import ArchiveError
from pipeline.sources.files.database import Store, is_damage, store_error
from pipeline.sources.files.digest import Digest, digest
from pipeline.sources.files.problems import machine_error, shown
from pipeline.sources.files.scan import Scan
from pipeline.sources.files.signature import settled, signature
from pipeline.sources.search import alternative_forms, search
from pipeline.sources.search import unwanted as spare
from pipeline.sources.search.alternative_forms import Derivation
from pipeline.sources.search.unwanted import Unwanted

Answer = TypeVar("Answer")

BATCH = 256
"""Files whose digests are written down together, and by a killed run hashed in vain, at most."""


def _unseen(count: int) -> None:
    """Show no progress."""


class Index:
    """The index kept in one SQLite file; made when missing, thrown away when damaged or of another version.

    Use it in one thread and one process at a time. Raises MachineError where the file cannot be made or used.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._scanned: tuple[tuple[Path, ...], ArchiveLimits] | None = None
        try:
            self._store = Store(path)
        except sqlite3.Error as error:
            raise store_error(path, error) from error
        except OSError as error:
            raise machine_error(path, error) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._store.close()

    def scan(self, places: Sequence[Path], limits: ArchiveLimits, progress: Callable[[int], None] = _unseen) -> Scan:
        """Return what the places (folders, archives, files) hold now, with what is wrong with some of them.

        A file whose size, times and inode are unchanged is not opened. ``progress`` is told the files just seen.
        """
        self._scanned = None
        result = self._safely(lambda: scanning.scan(self._store, places, limits, progress))
        self._scanned = (tuple(places), limits)
        return result

    def find(self, wanted: Sequence[Wanted], progress: Callable[[int], None] = _unseen) -> Found:
        """Return where the wanted contents lie in the places of the last scan, and what is nearest to each missing one.

        Hashes only what may be wanted, once. ``progress`` is told the bytes just hashed.
        """
        return self._safely(lambda: search.find(self._store, wanted, progress), scanned=True)

    def derive(
        self, wanted: Sequence[Content], forming: Forming, progress: Callable[[int], None] = _unseen
    ) -> Derivation:
        """Return which of the places' files become which of the wanted contents by one change.

        Each file of a plausible size is read once. ``progress`` is told the bytes just read.
        """
        return self._safely(lambda: alternative_forms.derive(self._store, wanted, forming, progress), scanned=True)

    def unwanted(
        self, hashes: Collection[str], sizes: Collection[int], progress: Callable[[int], None] = _unseen
    ) -> list[Unwanted]:
        """Return what in the places of the last scan is none of these contents, given by SHA-256 and size."""
        return self._safely(lambda: list(spare.unwanted(self._store, hashes, sizes, progress)), scanned=True)

    def content_of(self, path: Path) -> Content:
        """Return size, SHA-256 and CRC-32 of any file, in a place or not; read only when it changed."""
        return self.content_at(Location(path=str(path)))

    def content_at(self, location: Location) -> Content:
        """Return size, SHA-256 and CRC-32 of any file or member, in a place or not; read only when its file changed.

        Raises CheckError when it changes while it is read or is a damaged member, MachineError when it cannot be read.
        """
        return self.contents_at([location])[0]

    def contents_at(self, locations: Sequence[Location]) -> list[Content]:
        """Return what ``content_at`` does of many, in their order; much quicker than one by one."""
        found = list[Content]()
        for start in range(0, len(locations), BATCH):
            found += self._safely(partial(self._contents_at, locations[start : start + BATCH]))
        return found

    def _contents_at(self, locations: Sequence[Location]) -> list[Content]:
        found, fresh, now = list[Content](), list[tuple[bytes, str, Digest]](), time.time_ns()
        try:
            for location in locations:
                path, member = os.fsencode(os.path.abspath(location.path)), location.member or ""  # noqa: PTH100
                known, is_fresh = self._digest_at(location, path, member, now)
                found.append(Content(sha256=known.sha256, size=known.size, crc32=known.crc32))
                if is_fresh:
                    fresh.append((path, member, known))
        finally:
            if fresh:
                self._store.put_contents(fresh)
        return found

    def _digest_at(self, location: Location, path: bytes, member: str, now: int) -> tuple[Digest, bool]:
        """Return the digest of a file or member, and whether it is to be remembered; ``now`` as nanoseconds."""
        try:
            stat = os.stat(location.path)  # noqa: PTH116  # measured, as above: a third of the time of Path's
            known = self._store.content(path, member)
            if known is not None and known.signature == signature(stat):
                return known, False
            known = digest(location)
        except OSError as error:
            self._store.forget_contents(path)
            raise machine_error(location.path, error) from error
        except ArchiveError as error:
            raise CheckError([Problem(Place(file=shown(location.path)), error.what, error.hint)]) from error
        return known, settled(stat, now) and known.signature == signature(stat)

    def _safely(self, work: Callable[[], Answer], *, scanned: bool = False) -> Answer:
        """Do something with the file; where it proves damaged, begin it anew and do it again.

        ``scanned``: the work needs what a scan found, which only a scan of this object can be repeated for.
        """
        try:
            try:
                return work()
            except sqlite3.Error as error:
                if not is_damage(error):
                    raise
                self._begin_anew()
                if scanned and self._scanned is None:
                    raise
            return work()
        except sqlite3.Error as error:
            raise store_error(self._path, error) from error

    def _begin_anew(self) -> None:
        try:
            self._store.throw_away()
        except OSError as error:
            raise machine_error(self._path, error) from error
        if self._scanned:
            scanning.scan(self._store, *self._scanned, _unseen)
