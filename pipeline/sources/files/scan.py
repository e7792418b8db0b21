"""Bring the index up to date: look at what changed in the places, forget what is gone."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from io import BufferedReader
from pathlib import Path
from typing import BinaryIO, cast

from pipeline.errors import Place, Problem
from pipeline.model.manifest import ArchiveLimits
from pipeline.model.text import shown
from pipeline.sources.files.archive import SMALLEST, Fault, Listing, named_as_archive
from pipeline.sources.files.database import Database
from pipeline.sources.files.kinds import BEGINNING, unread
from pipeline.sources.files.members import list_members, to_be_listed
from pipeline.sources.files.problems import open_file, unreadable
from pipeline.sources.files.signature import UNSETTLED, settled, signature
from pipeline.sources.files.walk import walk


@dataclass(frozen=True, slots=True, kw_only=True)
class Scan:
    """What a scan saw: files, archives among them, usable members; how many files are new or changed, how many gone.

    ``problems``: places, folders, files and archives that cannot be used, in part or at all; the rest can.
    """

    files: int
    archives: int
    members: int
    changed: int
    gone: int
    problems: tuple[Problem, ...]


def scan(
    store: Database,
    places: Sequence[Path],
    limits: ArchiveLimits,
    progress: Callable[[int], None],
    without: Sequence[Path] = (),
) -> Scan:
    """Return what the places hold now, and make the index say the same, in one transaction.

    Every file is stat-ed; only a new or changed one is opened, to see whether it is an archive. A file in several
    places belongs to the first. The folders ``without`` are passed over where they lie below a place. ``progress`` is
    told the number of files just seen, folder by folder.
    """
    with store.transaction():
        survey = _Survey(store, limits)
        passed_over = {os.fsencode(folder.absolute()) for folder in without}
        for number, place in enumerate(places):
            for visit in walk(os.fsencode(place.absolute()), passed_over):
                survey.problems += visit.problems
                for path, stat in visit.files:
                    survey.see(number, path, stat)
                progress(len(visit.files))
        return survey.finish()


class _Survey:
    """One scan under way: what was known before, what was seen, what differs."""

    def __init__(self, store: Database, limits: ArchiveLimits) -> None:
        self.store, self.limits = store, limits
        self.before = store.known()
        self.list_again = store.limits() != repr(limits)
        self.problems: list[Problem] = []
        self.seen: set[bytes] = set()
        self.archives = 0
        self.moved: list[tuple[bytes, int]] = []
        self.changed: list[tuple[bytes, int, str, int, int]] = []

    def see(self, place: int, path: bytes, stat: os.stat_result) -> None:
        """Take note of a file and, when it is new or changed, of what it holds."""
        if path in self.seen:
            return
        self.seen.add(path)
        known_place, known, is_archive, size = self.before.get(path, (place, UNSETTLED, 0, 0))
        if (known, size) != (signature(stat), stat.st_size) or (is_archive and self.list_again):
            if is_archive:
                self.store.forget_listings([path])
            known, is_archive = self._look(path, stat)
            self.changed.append((path, place, known, is_archive, stat.st_size))
        elif known_place != place:
            self.moved.append((path, place))
        self.archives += bool(is_archive)

    def _look(self, path: bytes, stat: os.stat_result) -> tuple[str, int]:
        """Return signature and whether it is an archive of a new or changed file; an archive's listing is kept.

        The signature is from before the listing: what changes meanwhile has another one in the next scan.
        """
        now, is_archive, steady = signature(stat), False, settled(stat, time.time_ns())
        try:
            if stat.st_size >= SMALLEST or named_as_archive(path):
                with BufferedReader(open_file(path)) as stream:
                    start = stream.read(BEGINNING)
                    is_archive = to_be_listed(path, start)
                    if is_archive:
                        self.store.put_listing(path, self._listing(path, start, cast("BinaryIO", stream)))
        except FileNotFoundError:
            steady = False  # gone since the folder was listed; the next scan forgets it
        except OSError as error:
            self.problems.append(unreadable(path, error))
            steady = False
        return (now if steady else UNSETTLED, int(is_archive))

    def _listing(self, path: bytes, start: bytes, stream: BinaryIO) -> Listing:
        if what := unread(start):
            return Listing(faults=(Fault(f"is {what}, which is not read", "unpack it into a folder in a place"),))
        return list_members(stream, os.fsdecode(path).replace(os.sep, "/"), self.limits)

    def finish(self) -> Scan:
        """Bring the index up to date with what was seen."""
        gone = [path for path in self.before if path not in self.seen]
        self.store.forget_listings(path for path in gone if self.before[path][2])
        self.store.forget_files(gone)
        self.store.move_files(self.moved)
        self.store.put_files(self.changed)
        self.store.set_limits(repr(self.limits))
        self.store.check_number(len(self.seen))
        faults = (Problem(Place(file=shown(path)), fault.what, fault.hint) for path, fault in self.store.faults())
        return Scan(
            files=len(self.seen),
            archives=self.archives,
            members=self.store.members(),
            changed=len(self.changed),
            gone=len(gone),
            problems=tuple(sorted({*self.problems, *faults})),
        )
