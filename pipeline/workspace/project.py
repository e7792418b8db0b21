"""One set of inputs and its build folder: what every stage works on."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import Any, Self

from pipeline.errors import ManifestError, Place, Problem, located
from pipeline.manifest.files import manifest_ids
from pipeline.manifest.load import load
from pipeline.manifest.text.positions import locator
from pipeline.model.content import Content, Found, Location, Origin
from pipeline.model.manifest import Manifest
from pipeline.model.plan import Plan
from pipeline.model.ranges import RomMap
from pipeline.resources import VERSION
from pipeline.sources.files.listing import list_tree
from pipeline.sources.files.prefetch import Ahead
from pipeline.sources.index import Index
from pipeline.store.store import Store
from pipeline.workspace.fsync_queue import Unsynced
from pipeline.workspace.state import remove_irregular
from pipeline.workspace.uptodate import INDEX

PROGRAM = VERSION
"""Among every stage's inputs, since another version may give other bytes."""


class Project:
    """The manifests below ``inputs`` and what is built from them below ``build``; both read only when needed.

    ``base``: the folder people work in; paths are shown relative to it. ``started``: nanoseconds since 1970, before
    anything was read. ``asked``: names of the tasks that are to be done, none for all. ``store``: where other machines'
    ROM files may be, None for none; only the working folder's own project has one. ``warnings``: what a person should
    hear of though the work goes on.

    The rest is what this run knows already, so that nothing is worked out twice. ``search``: what the search of the
    sources gave, None while it has not been needed. ``worked``: cards with their plans, and those of their titles
    whose ROM files were not built yet.
    ``recipes`` and ``origins``: what ROM files are made from, by title and path. ``roms``: why a title's ROM files must
    be made, or None and their hashes. ``ahead``: reads what the next ones are made of. ``unsynced``: those a power cut
    may damage yet. ``maps``: the ROM files' of the last card asked for. ``records``: of each card, what its record was
    worked out from, and the SHA-256 of the files it should be. ``titles_checked``: that nothing is wrong with any.
    """

    def __init__(self, inputs: Path, build: Path, base: Path) -> None:
        self.inputs = inputs
        self.build = build
        self.base = base
        self.started = time.time_ns()
        self.asked: tuple[str, ...] = ()
        self.search: Found | None = None
        self.worked: dict[str, tuple[Any, Plan, tuple[str, ...]]] = {}
        self.warnings: tuple[Problem, ...] = ()
        self.store: Store | None = None
        self.recipes: dict[str, dict[str, str]] = {}
        self.origins: dict[tuple[str, str], Origin] = {}
        self.roms: dict[str, tuple[str | None, dict[str, str]]] = {}
        self.ahead: Ahead | None = None
        self.unsynced = Unsynced()
        self.maps: dict[str, tuple[RomMap, ...]] = {}
        self.records: dict[str, tuple[object, dict[str, str]]] = {}
        self.titles_checked = False
        self._process = os.getpid()
        self._indexes: dict[int, Index] = {}  # by process: SQLite lets none use what another opened, or close it
        self._trees: dict[str, dict[str, Location]] = {}
        self._contents: dict[str, tuple[tuple[str, Location, Content], ...]] = {}

    @classmethod
    def here(cls) -> Self:
        """Return the project of the working folder: its ``inputs`` or those CARDKILN_INPUTS names, and ``build``."""
        here = cls(Path(os.environ.get("CARDKILN_INPUTS", "inputs")).absolute(), Path.cwd() / "build", Path.cwd())
        here.store = Store.here()
        return here

    @property
    def manifest(self) -> Manifest:
        """Everything the manifests say; raises ManifestError with all that is wrong with them."""
        if isinstance(self._loaded, ManifestError):
            raise self._loaded
        return self._loaded

    @cached_property
    def _loaded(self) -> Manifest | ManifestError:
        """The manifests or what is wrong with them, read once."""
        try:
            return load(self.inputs, self.base)
        except ManifestError as error:
            return error

    @property
    def index(self) -> Index:
        """The index of files and their hashes; only a cache, safe to delete. Each process opens it for itself."""
        process = os.getpid()
        if process not in self._indexes:
            path = self.build / "state" / "index.sqlite"
            with suppress(OSError):  # what cannot be removed is done without
                for name in INDEX:
                    remove_irregular(path.with_name(name))
            self._indexes[process] = Index(path, self._warn)
        return self._indexes[process]

    def _warn(self, problem: Problem) -> None:
        self.warnings += (problem,)

    @property
    def is_shared(self) -> bool:
        """Whether this is a process that the engine started to work beside others."""
        return os.getpid() != self._process

    def names(self, kind: str) -> list[str]:
        """Return the ids of one kind of manifest ("cards"), sorted; known even when the manifests are wrong."""
        return manifest_ids(self.inputs / kind)

    def card_folder(self, card: str) -> Path:
        """Return where a card's image, plan and record are built."""
        return self.build / "cards" / card

    def kept_folder(self, card: str) -> Path:
        """Return where the user's files of a card are kept: part of the inputs."""
        return self.inputs / "kept" / card

    def rom_folder(self, title: str) -> Path:
        """Return where a title's ROM files are built."""
        return self.build / "roms" / title

    def stamp(self, stage: str, name: str) -> Path:
        """Return the file that says what a finished output was made from."""
        return self.build / "state" / stage / f"{name}.json"

    def tree(self, path: str) -> dict[str, Location]:
        """Return the files of a folder or archive below the inputs, or a single file under the name ""."""
        if path not in self._trees:
            full = self.inputs / path
            single = full.is_file() and full.suffix.lower() != ".zip"
            listed = {"": Location(path=str(full))} if single else list_tree(full, self.manifest.sources.limits)
            self._trees[path] = listed
        return self._trees[path]

    def trees_read(self) -> tuple[str, ...]:
        """Return the paths below the inputs whose files were listed so far."""
        return tuple(self._trees)

    def tree_contents(self, path: str) -> tuple[tuple[str, Location, Content], ...]:
        """Return the files of ``tree`` with where each lies and what it holds; looked at once a run."""
        if path not in self._contents:
            tree = self.tree(path)
            contents = self.index.contents_at([*tree.values()])
            self._contents[path] = tuple(zip(tree, tree.values(), contents, strict=True))
        return self._contents[path]

    def content_at(self, location: Location) -> Content:
        """Return size and SHA-256 of what lies at a location."""
        return self.index.content_at(location)

    def shown(self, path: Path) -> str:
        """Return a path as it is shown to people: relative to where they work, with "/"."""
        return path.relative_to(self.base).as_posix() if path.is_relative_to(self.base) else str(path)

    def located(self, problems: Iterable[Problem]) -> tuple[Problem, ...]:
        """Return problems with files as they are shown, and the line and column of each manifest key filled in."""
        return located(problems, self._locate)

    def _locate(self, place: Place) -> Place:
        return self._locator(replace(place, file=self.shown(Path(place.file))) if place.file else place)

    @cached_property
    def _locator(self) -> Callable[[Place], Place]:
        return locator(self.base)
