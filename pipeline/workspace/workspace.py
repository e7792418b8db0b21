"""The folders of one project: where its inputs lie, and where what is built from them goes."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Self

from pipeline.errors import Place, Problem, located
from pipeline.manifest.files import manifest_ids
from pipeline.resources import VERSION
from pipeline.workspace.stamp import rom_stamps
from pipeline.workspace.state import remove_irregular
from pipeline.workspace.uptodate import INDEX

if TYPE_CHECKING:  # what a command needs is imported when it needs it, so that every command starts at once
    from pipeline.sources.index import Index
    from pipeline.store.store import Store
    from pipeline.workspace.fsync_queue import Unsynced
    from pipeline.workspace.state_lines import NamedValues

PROGRAM = VERSION
"""Among every stage's inputs, since another version may give other bytes."""


class Workspace:
    """Paths, the index of files, and what is written but not yet durable; knows nothing of what the manifests say.

    ``inputs``, ``build``: folders. ``base``: the folder people work in; paths are shown relative to it. ``store``:
    ROM files of other machines, None for none. ``started``: nanoseconds since 1970, before anything was read.
    ``is_failing``: whether the machine failed in this run, so that what comes after would fail too.
    """

    def __init__(self, inputs: Path, build: Path, base: Path, store: Store | None = None) -> None:
        self.inputs = inputs
        self.build = build
        self.base = base
        self.store = store
        self.started = time.time_ns()
        self.is_failing = False
        self._warnings: list[Problem] = []
        self._process = os.getpid()
        self._indexes: dict[int, Index] = {}  # by process: SQLite lets none use what another opened, or close it

    @classmethod
    def here(cls) -> Self:
        """Return the workspace of the working folder: its ``inputs`` or those CARDKILN_INPUTS names, and ``build``."""
        from pipeline.store.store import Store

        inputs = Path(os.environ.get("CARDKILN_INPUTS") or "inputs").absolute()
        return cls(inputs, Path.cwd() / "build", Path.cwd(), Store.here())

    @cached_property
    def unsynced(self) -> Unsynced:
        """The files that a power cut may still damage."""
        from pipeline.workspace.fsync_queue import Unsynced

        return Unsynced()

    @cached_property
    def rom_stamps(self) -> NamedValues:
        """The stamps of ROM files, by title."""
        return rom_stamps(self.build)

    def building_in(self, build: Path) -> Workspace:
        """Return a workspace of the same inputs that builds into another folder, with the index of this one."""
        workspace = Workspace(self.inputs, build, self.base, self.store)
        workspace._indexes = {os.getpid(): self.index}
        return workspace

    @property
    def index(self) -> Index:
        """The index of files and their hashes; only a cache, safe to delete. Each process opens it for itself."""
        from pipeline.sources.index import Index

        process = os.getpid()
        if process not in self._indexes:
            path = self.build / "state" / "index.sqlite"
            with suppress(OSError):  # what cannot be removed is done without
                for name in INDEX:
                    remove_irregular(path.with_name(name))
            self._indexes[process] = Index(path, lambda problem: self.warn([problem]))
        return self._indexes[process]

    @property
    def is_worker(self) -> bool:
        """Whether this is a process that the engine started to work beside others."""
        return os.getpid() != self._process

    def names(self, kind: str) -> list[str]:
        """Return the ids of one kind of manifest ("cards"), sorted; known even when the manifests are wrong."""
        return manifest_ids(self.inputs / kind)

    def card_folder(self, card: str) -> Path:
        """Return where a card's image, plan, record and sheet are built."""
        return self.build / "cards" / card

    def config_folder(self, card: str) -> Path:
        """Return where a card's config files are built, each at its path on the card."""
        return self.build / "configs" / card

    def rom_folder(self, title: str) -> Path:
        """Return where a title's ROM files are built."""
        return self.build / "roms" / title

    def kept_folder(self, card: str) -> Path:
        """Return where the user's files of a card are kept: part of the inputs."""
        return self.inputs / "kept" / card

    def stamp(self, stage: str, name: str) -> Path:
        """Return the file that says what a card's finished output was made from."""
        return self.build / "state" / stage / f"{name}.json"

    def warn(self, problems: Iterable[Problem]) -> None:
        """Take what a person should hear of though the work goes on."""
        self._warnings += problems

    def take_warnings(self) -> tuple[Problem, ...]:
        """Return the warnings since they were last taken, located, each once and in the order they came.

        A failure of the store comes first. A worker leaves it to the process that hears of those of all workers.
        """
        store = self.store.problems() if self.store and not self.is_worker else ()
        taken, self._warnings = tuple(dict.fromkeys([*store, *self._warnings])), []
        return self.located(taken)

    def shown(self, path: Path) -> str:
        """Return a path as it is shown to people: relative to where they work, with "/"."""
        return path.relative_to(self.base).as_posix() if path.is_relative_to(self.base) else str(path)

    def located(self, problems: Iterable[Problem]) -> tuple[Problem, ...]:
        """Return problems with files as they are shown, and the line and column of each manifest key filled in."""
        return located(problems, self._locate)

    def portable(self, problem: Problem) -> Problem:
        """Return a problem whose place is named from the folder of inputs on, wherever that lies on this machine."""
        path = self.base / problem.place.file
        inside = path.relative_to(self.inputs).as_posix() if path.is_relative_to(self.inputs) else path.name
        return replace(problem, place=replace(problem.place, file=inside))

    def _locate(self, place: Place) -> Place:
        return self._locator(replace(place, file=self.shown(Path(place.file))) if place.file else place)

    @cached_property
    def _locator(self) -> Callable[[Place], Place]:
        from pipeline.manifest.text.positions import locator

        return locator(self.base)


def how_to_build(card_id: str) -> str:
    """Return what to type so that all of a card is built, its sheet too."""
    return f"doit sheet:{card_id}"
