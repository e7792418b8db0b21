"""The short way of a run with nothing to do: whether all is still as it was when all was current.

Imports little on purpose. What is compared are size, modification time, inode and change time of every file that was
looked at; no content is read. Where anything differs, the stages look for themselves.
"""

from __future__ import annotations

import hashlib
import json
import os
import stat
import sys
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from pipeline.resources import PACKAGE, SCHEMAS

VERSION = 1
FILE = Path("build/state/current.json")
"""What was seen when all was current, relative to the folder people work in."""

MADE = ("cards", "configs", "roms", "state")
"""The folders of ``build`` that the tasks fill."""

RUNNING = Path("build/state/running")
"""There while a run is at work, and after it was killed."""

INDEX = ("index.sqlite", "index.sqlite-wal", "index.sqlite-shm", "index.sqlite-journal")
PASSED_OVER = frozenset({*INDEX, "lock", RUNNING.name, FILE.name, "reasons.json", "reasons.lines", "__pycache__"})
"""What changes though nothing does, or is only a cache."""

ENVIRONMENT = ("CARDKILN_INPUTS", "SOURCE_DATE_EPOCH", "HOME", "USERPROFILE")
COARSE, FINE = 2_000_000_000, 100_000_000
"""Nanoseconds after which a further edit is sure to show: FAT counts 2 s; file systems that show parts of a millisecond
take the kernel's clock, which ticks at least every 10 ms."""


class View:
    """What some files looked like: ``digest`` of names and signatures, and whether later edits are sure to show."""

    def __init__(self, paths: Iterable[Path]) -> None:
        """Look at files and at everything below folders."""
        self._hash = hashlib.sha256()
        self._newest = {True: 0, False: 0}  # by whether the time is a fine one
        for path in paths:
            self._look(str(path))
        self.digest = self._hash.hexdigest()

    def settled_before(self, moment: int) -> bool:
        """Whether nothing was changed at or shortly before ``moment`` (nanoseconds since 1970), or later."""
        return self._newest[True] + FINE < moment and self._newest[False] + COARSE < moment

    def _look(self, path: str) -> None:
        try:
            state = os.stat(path)  # noqa: PTH116  # measured: a third of the time of Path.stat
        except OSError as error:
            self._hash.update(f"{path}\0{error.errno}\n".encode(errors="surrogateescape"))
            return
        self._see(path, state)
        if stat.S_ISDIR(state.st_mode):
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
            if entry.name in PASSED_OVER:
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

    def _see(self, name: str, state: os.stat_result) -> None:
        if os.name == "nt":
            changed, line = state.st_mtime_ns, f"{name}\0{state.st_size} {state.st_mtime_ns}\n"
        else:
            changed = state.st_ctime_ns
            line = f"{name}\0{state.st_size} {state.st_mtime_ns} {state.st_ino} {changed}\n"
        if stat.S_ISDIR(state.st_mode):
            line = f"{name}/\n"  # its own times say no more than its listing
        else:
            fine = changed % 1_000_000 != 0
            self._newest[fine] = max(self._newest[fine], changed)
        self._hash.update(line.encode(errors="surrogateescape"))


def view_of_made(base: Path) -> View:
    """Return what the built files look like."""
    return View(base / "build" / name for name in MADE)


def surroundings() -> dict[str, str]:
    """Return what else a run depends on: the program, and the parts of the environment it looks at."""
    program = View([PACKAGE, SCHEMAS]).digest
    return {"program": program, "python": sys.version, **{name: os.environ.get(name, "") for name in ENVIRONMENT}}


@dataclass(frozen=True, slots=True, kw_only=True)
class Current:
    """What was seen when all was current, and what a run says then on standard output and error.

    ``dodo``: the file the tasks came from. ``watched``: what the run was told by, files and folders.
    ``places``: what only had to be there.
    """

    dodo: str
    watched: Sequence[str]
    places: Sequence[str]
    inputs: str
    made: str
    told: str
    warned: str


def remember(base: Path, current: Current) -> None:
    """Keep that all was current."""
    document = {"cardkiln-current": VERSION, "surroundings": surroundings(), "seen": asdict(current)}
    temporary = base / FILE.with_suffix(".part")
    try:
        temporary.write_text(json.dumps(document), encoding="utf-8")
        temporary.replace(base / FILE)
    except OSError:
        temporary.unlink(missing_ok=True)
        raise


def still_current(base: Path, dodo: Path) -> Current | None:
    """Return what was seen when all was current, if nothing has changed since then; else None."""
    try:
        document: Any = json.loads((base / FILE).read_bytes())
        if document["cardkiln-current"] != VERSION or document["surroundings"] != surroundings():
            return None
        current = Current(**document["seen"])
        if current.dodo != str(dodo) or (base / RUNNING).exists():
            return None
        same = View(map(Path, current.watched)).digest == current.inputs
        same = same and all(os.path.lexists(place) for place in current.places)
        return current if same and view_of_made(base).digest == current.made else None
    except (OSError, ValueError, KeyError, TypeError):
        return None
