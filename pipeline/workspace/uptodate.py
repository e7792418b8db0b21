"""The short way of a run with nothing to do: whether all is still as it was when all was current.

Imports little on purpose. What is compared are size, modification time, inode and change time of every file that was
looked at; no content is read. Where anything differs, the stages look for themselves.
"""

from __future__ import annotations

import hashlib
import os
import stat
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from pipeline.resources import PACKAGE, SCHEMAS
from pipeline.sources.files.signature import signature
from pipeline.workspace import state

FILE = Path("build/state/current.json")
"""What was seen when all was current, relative to the folder people work in."""

MADE = ("cards", "configs", "roms", "state")
"""The folders of ``build`` that the tasks fill."""

RUNNING = Path("build/state/running")
"""There while a run is at work, and after it was killed."""

INDEX = ("index.sqlite", "index.sqlite-wal", "index.sqlite-shm", "index.sqlite-journal")
RUN_FILES = frozenset({*INDEX, "lock", RUNNING.name, FILE.name, "reasons.json", "reasons.lines"})
"""Files of the state folder that change though nothing does, or are only a cache; looked at nowhere."""

ENVIRONMENT = ("CARDKILN_INPUTS", "SOURCE_DATE_EPOCH", "HOME", "USERPROFILE")
COARSE, FINE = 2_000_000_000, 100_000_000
"""Nanoseconds after which a further edit is sure to show: FAT counts 2 s; file systems that show parts of a millisecond
take the kernel's clock, which ticks at least every 10 ms."""


class View:
    """What some files looked like: ``digest`` of names and signatures, and whether later edits are sure to show.

    ``passed_over``: whether an entry of a folder, given by the folder's path and its name, is not looked at.
    ``listings``: whether a folder counts as changed when its listing was, as it is when a file of it is removed.
    """

    def __init__(
        self,
        paths: Iterable[Path],
        passed_over: Callable[[str, str], bool] = lambda _, __: False,
        *,
        listings: bool = False,
    ) -> None:
        """Look at files and at everything below folders."""
        self._paths = tuple(map(str, paths))
        self._passed_over, self._listings = passed_over, listings
        self._hash = hashlib.sha256()
        self._newest = {True: 0, False: 0}  # by whether the time is a fine one
        for path in self._paths:
            self._look(path)
        self.digest = self._hash.hexdigest()

    @property
    def seen(self) -> Seen:
        """What was looked at, and what it looked like."""
        return Seen(paths=self._paths, digest=self.digest)

    def settled_before(self, moment: int) -> bool:
        """Whether nothing was changed at or shortly before ``moment`` (nanoseconds since 1970), or later."""
        return self._newest[True] + FINE < moment and self._newest[False] + COARSE < moment

    def _look(self, path: str) -> None:
        try:
            found = os.stat(path)  # noqa: PTH116  # measured: a third of the time of Path.stat
        except OSError as error:
            self._hash.update(f"{path}\0{error.errno}\n".encode(errors="surrogateescape"))
            return
        self._see(path, found)
        if stat.S_ISDIR(found.st_mode):
            self._folder(path)

    def _folder(self, path: str) -> None:
        folders = []
        try:
            with os.scandir(path) as entries:
                listed = sorted(entries, key=lambda entry: entry.name)
        except OSError as error:
            self._hash.update(f"{path}\0{error.errno}\n".encode(errors="surrogateescape"))
            return
        for entry in listed:
            if self._passed_over(path, entry.name):
                continue
            try:
                self._see(entry.name, entry.stat())
            except OSError as error:
                self._hash.update(f"{entry.name}\0{error.errno}\n".encode(errors="surrogateescape"))
                continue
            if entry.is_dir(follow_symlinks=False):
                folders.append(entry.path)
        for folder in folders:
            self._folder(folder)

    def _see(self, name: str, found: os.stat_result) -> None:
        is_folder = stat.S_ISDIR(found.st_mode)
        # a folder's own times say no more than its listing
        line = f"{name}/\n" if is_folder else f"{name}\0{signature(found)}\n"
        self._hash.update(line.encode(errors="surrogateescape"))
        if self._listings or not is_folder:
            changed = found.st_mtime_ns if os.name == "nt" else found.st_ctime_ns
            fine = changed % 1_000_000 != 0
            if changed > self._newest[fine]:
                self._newest[fine] = changed


def view_of_made(base: Path) -> View:
    """Return what the built files look like."""
    state_folder = str(base / "build" / "state")
    return View(
        (base / "build" / name for name in MADE),
        lambda folder, name: folder == state_folder and name in RUN_FILES,
    )


def surroundings() -> dict[str, str]:
    """Return what else a run depends on: the program, and the parts of the environment it looks at."""
    program = View([PACKAGE, SCHEMAS], lambda _, name: name == "__pycache__").digest
    return {"program": program, "python": sys.version, **{name: os.environ.get(name, "") for name in ENVIRONMENT}}


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """Files and folders, and the digest of their view."""

    paths: tuple[str, ...]
    digest: str

    def looks_the_same(self) -> bool:
        """Whether they look now as they did."""
        try:
            return View(map(Path, self.paths)).digest == self.digest
        except (OSError, ValueError):
            return False


@dataclass(frozen=True, slots=True, kw_only=True)
class Current:
    """What was seen when all was current, and what a run says then on standard output and error.

    ``dodo``: the file the tasks came from. ``manifests``, ``watched``: what the run was told by, manifests and all
    else. ``values``: a digest of what the manifests say.
    ``places``: what only had to be there.
    """

    dodo: str
    manifests: Seen
    values: str
    watched: Seen
    places: tuple[str, ...]
    made: str
    told: str
    warned: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """What was seen when all was current, and the surroundings it was seen in."""

    surroundings: dict[str, str]
    seen: Current


def remember(base: Path, current: Current) -> None:
    """Keep that all was current; what a power cut takes of it is looked at again."""
    state.write(base / FILE, Snapshot(surroundings=surroundings(), seen=current), sync=False)


def still_current(base: Path, dodo: Path) -> Current | None:
    """Return what was seen when all was current, if nothing has changed since then; else None."""
    current = seen_when_current(base, dodo)
    if current is None or not current.manifests.looks_the_same():
        return None
    return current if same_but_for_manifests(base, current) else None


def seen_when_current(base: Path, dodo: Path) -> Current | None:
    """Return what was seen when all was current, if it was in these surroundings and no run is at work; else None."""
    snapshot = state.read(base / FILE, Snapshot)
    if snapshot is None or snapshot.surroundings != surroundings():
        return None
    current = snapshot.seen
    return None if current.dodo != str(dodo) or os.path.lexists(base / RUNNING) else current


def same_but_for_manifests(base: Path, current: Current) -> bool:
    """Whether everything but the manifests looks as it did when all was current."""
    try:
        same = current.watched.looks_the_same() and all(os.path.lexists(place) for place in current.places)
        return same and view_of_made(base).digest == current.made
    except (OSError, ValueError):
        return False
