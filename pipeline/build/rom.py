"""Stage ``rom``: a title's chips become its ROM files."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from pathlib import Path

from pipeline.build.inputs import Inputs
from pipeline.build.recipe import Recipe
from pipeline.model.content import Content, Location
from pipeline.model.manifest import RomFile, Title
from pipeline.model.text import counted
from pipeline.model.units import show_size
from pipeline.roms.assemble import assemble
from pipeline.sources.files.read import read_contents
from pipeline.sources.files.signature import signature
from pipeline.store.store import Store
from pipeline.workspace.atomic_write import replacing
from pipeline.workspace.stamp import NEW, Stamp, stamp_of, why_stale

Hashes = tuple[tuple[str, str], ...]
"""(path, SHA-256) of each ROM file."""


class TitleRoms:
    """The ROM files of one title: whether they are built, and building them."""

    __slots__ = ("_looked", "_looks", "_workspace", "title")

    def __init__(self, inputs: Inputs, title: Title) -> None:
        self.title = title
        self._workspace = inputs.workspace
        self._looked: tuple[str | None, Hashes] | None = None
        self._looks: int | None = None  # of the files when they were as their stamp says

    @property
    def recipe(self) -> Recipe:
        """What the ROM files are made from."""
        return Recipe(self.title)

    @property
    def paths(self) -> dict[str, Path]:
        """Where each ROM file is built, by its path in the manifest."""
        folder = self._workspace.rom_folder(self.title.id)
        return {rom.path: folder / rom.path for rom in self.title.roms}

    def reason(self) -> str | None:
        """Return why the ROM files must be built, None when they are up to date; looked at once in a run."""
        return self._seen[0]

    @property
    def made(self) -> Hashes:
        """The SHA-256 of the ROM files that were made last, whether they are up to date or not, each after its path."""
        return self._seen[1]

    def look_again(self) -> None:
        """Know that another process may have changed or built the ROM files since they were looked at."""
        if self._looks is None or self._looks != _looks(self.paths.values()):
            self._looked = None

    def were_made(self, made: Hashes) -> None:
        """Know what this process or another one of this run made; what another one did is synced when the run ends."""
        if self._looked == (None, made):  # it was this one
            return
        self._looked, self._looks = (None, made), None
        for rom in self.title.roms:
            self._workspace.unsynced.add(self._workspace.rom_folder(self.title.id) / rom.path, rom.size)

    def content(self, rom: RomFile) -> Content | None:
        """Return size and SHA-256 of a ROM file; None while it is neither declared nor built."""
        if rom.sha256:
            return Content(sha256=rom.sha256, size=rom.size)
        why, made = self._seen
        return None if why else Content(sha256=dict(made)[rom.path], size=rom.size)

    def build(self, locations: Mapping[str, Location]) -> str:
        """Build the ROM files from chips and patches that lie somewhere, by SHA-256; return what was done."""
        used = self.recipe.used
        parts = read_contents((locations[content.sha256], content) for content in used.values())
        return self.build_from(dict(zip(used, parts, strict=True)))

    def build_from(self, chips: Mapping[str, bytes]) -> str:
        """Assemble the ROM files from the bytes of their chips and patches, by name; return what was done."""
        store = self._workspace.store
        self._finish(((rom, assemble(self.title, rom, chips)) for rom in self.title.roms), store)
        return self._line(f"from {_counted(self.title, chips)}")

    def take(self) -> str | None:
        """Copy the ROM files from the store; return what was done, None unless all of them are there."""
        stored = self._stored()
        if stored is None:
            return None
        self._finish(stored, None)
        return self._line("from the store")

    def take_built(self, files: Iterable[tuple[RomFile, bytes]]) -> None:
        """Have ROM files that another machine assembled become the title's; their SHA-256 were checked."""
        self._finish(files, None)

    def is_stored(self) -> bool:
        """Whether the store has all ROM files of the title, each hashed."""
        return self._stored() is not None

    @property
    def _seen(self) -> tuple[str | None, Hashes]:
        if self._looked is None:
            self._looked = self._look()
        return self._looked

    def _look(self) -> tuple[str | None, Hashes]:
        """Return why the ROM files must be built, None when they are up to date, and what was made last."""
        if not self.title.roms:
            return None, ()
        stamp = self._workspace.rom_stamps.read(self.title.id, Stamp)
        if stamp is None:
            return NEW, ()
        made = {path: output.sha256 for path, output in stamp.outputs.items()}
        why = why_stale(stamp, self.recipe.stamp_inputs, self.paths)
        for rom in () if why else self.title.roms:
            if rom.sha256 not in ("", made[rom.path]):
                why = f"another SHA-256 is declared for {rom.path}"
                break
        self._looks = None if why else _stamped_looks(stamp)
        return why, tuple(made.items())

    def _stored(self) -> list[tuple[RomFile, bytes]] | None:
        store = self._workspace.store
        if not store:
            return None
        found = []
        for rom in self.title.roms:
            data = store.read(self.recipe.store_key(rom), rom.size, rom.sha256)
            if data is None:
                break
            found.append((rom, data))
        return found if len(found) == len(self.title.roms) else None

    def _finish(self, finished: Iterable[tuple[RomFile, bytes]], store: Store | None) -> None:
        """Write ROM files, put them into the store, if one is given, and stamp them.

        Those with a declared SHA-256 were held to it already.
        """
        workspace, made = self._workspace, dict[str, tuple[Path, str]]()
        folder = workspace.rom_folder(self.title.id)
        for rom, data in finished:
            path = folder / rom.path
            with replacing(path, sync=False) as temporary:
                temporary.write_bytes(data)
            if not workspace.is_worker:
                workspace.unsynced.add(path, rom.size)
            made[rom.path] = path, rom.sha256 or hashlib.sha256(data).hexdigest()
            if store:
                store.write(self.recipe.store_key(rom), data)
        stamp = stamp_of(self.recipe.stamp_inputs, made)
        workspace.rom_stamps.write(self.title.id, stamp)
        self._looks = _stamped_looks(stamp)
        self._looked = None, tuple((path, sha256) for path, (_, sha256) in made.items())

    def _line(self, origin: str) -> str:
        total = show_size(sum(rom.size for rom in self.title.roms))
        return f"{self.title.id}: {counted(len(self.title.roms), 'ROM file')} {origin}, {total}"


def _looks(paths: Iterable[Path]) -> int | None:
    """Return what files look like, as a number that is another one once they changed; None where one is gone."""
    try:
        return hash(tuple(signature(path.stat()) for path in paths))
    except OSError:
        return None


def _stamped_looks(stamp: Stamp) -> int:
    return hash(tuple(output.signature for output in stamp.outputs.values()))


def _counted(title: Title, used: Iterable[str]) -> str:
    """Return "6 chips", or "6 chips and 1 patch"."""
    names = list(used)
    chips = sum(name in title.chips for name in names)
    patches = len(names) - chips
    return counted(chips, "chip") + (f" and {counted(patches, 'patch')}" if patches else "")
