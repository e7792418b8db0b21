"""The index of files and their hashes: what callers hold.

It is only a cache. Whatever lies in its place is begun anew, and where the machine does not let us keep one, the run
does without: nothing is remembered then. What it says of a content is checked wherever the content is used.
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Callable, Collection, Iterable, Sequence
from contextlib import suppress
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import Self, TypeVar

from pipeline.errors import CheckError, MachineError, Place, Problem
from pipeline.model.content import Content, Fitting, Found, Location, Sought, Wanted
from pipeline.model.derived import AlternativeForms
from pipeline.model.manifest import ArchiveLimits
from pipeline.model.text import shown
from pipeline.sources.files import scan as scanning
from pipeline.sources.files.archive import ArchiveError
from pipeline.sources.files.database import Database, is_damage
from pipeline.sources.files.digest import Digest, digest
from pipeline.sources.files.problems import machine_error, reason
from pipeline.sources.files.scan import Scan
from pipeline.sources.files.signature import settled, signature
from pipeline.sources.search import alternative_forms, below, search
from pipeline.sources.search import fitting as search_fitting
from pipeline.sources.search import unwanted as spare
from pipeline.sources.search.alternative_forms import Derivation
from pipeline.sources.search.matcher import Taker
from pipeline.sources.search.unwanted import Unwanted

Answer = TypeVar("Answer")

BATCH = 256
"""Files whose digests are written down together, and by a killed run hashed in vain, at most."""


def _unseen(count: int) -> None:
    """Show no progress."""


def _unheard(problem: Problem) -> None:
    """Warn nobody."""


class Index:
    """The index kept in one SQLite file; made when missing, begun anew when damaged or of another version.

    Where the file cannot be used, ``warn`` is told why, once, and an index in memory takes its place. Use it in one
    thread and one process at a time.
    """

    def __init__(self, path: Path, warn: Callable[[Problem], None] = _unheard) -> None:
        self._path, self._warn = path, warn
        self._scanned: tuple[tuple[Path, ...], ArchiveLimits, tuple[Path, ...]] | None = None
        try:
            self._store = Database(path)
        except (sqlite3.Error, OSError) as error:
            self._store = self._without(error)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._store.close()

    def scan(
        self,
        places: Sequence[Path],
        limits: ArchiveLimits,
        progress: Callable[[int], None] = _unseen,
        without: Sequence[Path] = (),
    ) -> Scan:
        """Return what the places (folders, archives, files) hold now, with what is wrong with some of them.

        The folders ``without`` are passed over. A file whose size, times and inode are unchanged is not opened.
        ``progress`` is told the files just seen.
        """
        self._scanned = None
        result = self._safely(lambda: scanning.scan(self._store, places, limits, progress, without))
        self._scanned = (tuple(places), limits, tuple(without))
        return result

    def find(
        self,
        wanted: Iterable[Wanted],
        progress: Callable[[int], None] = _unseen,
        taker: Taker | None = None,
        processes: int = 0,
    ) -> Found:
        """Return where the wanted contents lie in the places of the last scan, and what is nearest to each missing one.

        Hashes only what may be wanted, once. ``progress`` is told the bytes just hashed, ``taker`` is given what is
        read. Where there is much to read, it is read in ``processes``, 0 for as many as there are processors.
        ``wanted`` is gone through more than once.
        """
        return self._safely(lambda: search.find(self._store, wanted, progress, taker, processes), scanned=True)

    def fitting(
        self, sought: Sequence[Sought], folder: Path | None = None, progress: Callable[[int], None] = _unseen
    ) -> list[Fitting]:
        """Return for each content that is sought the files of the last scan that fit it; ``folder``: only those in it.

        ``progress`` is told the bytes just hashed.
        """
        return self._safely(lambda: search_fitting.fitting(self._store, sought, folder, progress), scanned=True)

    def files_below(
        self, folder: Path, counts: Callable[[Location], bool], progress: Callable[[int], None] = _unseen
    ) -> list[tuple[Location, Content | str]]:
        """Return what the last scan found below a folder and ``counts``: its content, or why it cannot be read.

        Sorted by path and member; an archive is there beside what it holds. ``progress`` is told the bytes just hashed.
        """
        return self._safely(lambda: list(below.files_below(self._store, folder, counts, progress)), scanned=True)

    def derive(
        self, wanted: Sequence[Content], alternatives: AlternativeForms, progress: Callable[[int], None] = _unseen
    ) -> Derivation:
        """Return which of the places' files become which of the wanted contents, alone or two together.

        Each file of a plausible size is tried once. ``progress`` is told the bytes just tried.
        """
        return self._safely(lambda: alternative_forms.derive(self._store, wanted, alternatives, progress), scanned=True)

    def remembered(self, contents: Iterable[Content]) -> dict[str, Location]:
        """Return where an earlier search found contents, by SHA-256; whoever reads one finds out if it changed."""
        sizes = {content.sha256: content.size for content in contents if content.size is not None}
        sources = self._safely(lambda: list(self._store.sources_of(sizes.values())))
        return {
            source.sha256: source.location
            for source in sources
            if source.sha256 in sizes and Path(source.location.path).is_file()
        }

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
        """Return what ``content_at`` does of many, in their order; quicker than one by one where they are sorted."""
        found = list[Content]()
        for start in range(0, len(locations), BATCH):
            found += self._safely(partial(self._contents_at, locations[start : start + BATCH]))
        return found

    def _contents_at(self, locations: Sequence[Location]) -> list[Content]:
        found, fresh, now = list[Content](), list[tuple[bytes, str, Digest]](), time.time_ns()
        keys = [(os.fsencode(os.path.abspath(place.path)), place.member or "") for place in locations]  # noqa: PTH100
        remembered = self._store.contents(min(keys), max(keys))
        try:
            for location, key in zip(locations, keys, strict=True):
                known, is_fresh = self._digest_at(location, key, remembered.get(key), now)
                found.append(Content(sha256=known.sha256, size=known.size, crc32=known.crc32))
                if is_fresh:
                    fresh.append((*key, known))
        finally:
            if fresh:
                self._store.put_contents(fresh)
        return found

    def _digest_at(
        self, location: Location, key: tuple[bytes, str], known: Digest | None, now: int
    ) -> tuple[Digest, bool]:
        """Return the digest of a file or member, and whether it is to be remembered; ``now`` as nanoseconds.

        ``known``: what is remembered of it.
        """
        path, member = key
        try:
            stat = os.stat(location.path)  # noqa: PTH116  # measured: a third of the time of Path.stat
            if known is not None and known.signature == signature(stat) and (member or known.size == stat.st_size):
                return known, False
            known = digest(location)
        except OSError as error:
            self._store.forget_contents(path)
            raise machine_error(location.path, error) from error
        except ArchiveError as error:
            raise CheckError([Problem(Place(file=shown(location.path)), error.what, error.hint)]) from error
        return known, settled(stat, now) and known.signature == signature(stat)

    def forget(self) -> None:
        """Forget everything: a file was found to hold something else than is remembered of it."""
        self._scanned = None
        self._safely(self._store.throw_away)

    def _safely(self, work: Callable[[], Answer], *, scanned: bool = False) -> Answer:
        """Do something with the file; where it proves damaged or fails, do it again with another.

        ``scanned``: the work needs what a scan found, which only a scan of this object can be repeated for.
        """
        for begin_anew in (self._begin_anew, self._do_without):
            try:
                return work()
            except sqlite3.Error as error:
                begin_anew(error)
                if scanned and self._scanned is None:
                    raise _unscanned(self._path, error) from error
                self._scan_again()
        return work()

    def _begin_anew(self, error: sqlite3.Error) -> None:
        """Empty the file where it is damaged; where that fails, and where something else is wrong, do without it."""
        try:
            if not is_damage(error):
                raise error
            self._store.throw_away()
        except (sqlite3.Error, OSError) as again:
            self._do_without(again)

    def _do_without(self, error: sqlite3.Error | OSError) -> None:
        """Go on with an index in memory."""
        with suppress(sqlite3.Error):
            self._store.close()
        self._store = self._without(error)

    def _without(self, error: sqlite3.Error | OSError) -> Database:
        what = f"the index of source files cannot be used: {reason(error) if isinstance(error, OSError) else error}"
        hint = "the run goes on without; see that its folder can be written and the disk is not full"
        self._warn(Problem(Place(file=shown(self._path)), what, hint))
        return Database(None)

    def _scan_again(self) -> None:
        if self._scanned:
            places, limits, without = self._scanned
            scanning.scan(self._store, places, limits, _unseen, without)


def _unscanned(path: Path, error: sqlite3.Error) -> MachineError:
    return MachineError.one(f"the index of source files is damaged: {error}", "run again", file=shown(path))
