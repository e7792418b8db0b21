"""What a title's ROM files are made from, worked out of its manifest alone."""

from __future__ import annotations

from functools import lru_cache
from sys import intern

from pipeline.model.content import ChipsAndPatches, Content, Origin
from pipeline.model.manifest import RomFile, Title
from pipeline.roms.arrangement import arrangement
from pipeline.roms.assemble import chips_used, contents, describe
from pipeline.workspace.stamp import digest
from pipeline.workspace.workspace import PROGRAM

UNBUILT = "0" * 64
"""Stands for the SHA-256 of a ROM file that is not declared and not built yet; enough to check a layout."""


class Recipe:
    """The chips, patches and steps of a title's ROM files; worked out each time, since keeping it takes more memory."""

    __slots__ = ("title",)

    def __init__(self, title: Title) -> None:
        self.title = title

    @property
    def used(self) -> dict[str, Content]:
        """The chips and patches that the ROM files are made of, by name, sorted."""
        return self._used(self.title.roms)

    def role(self, name: str) -> str:
        """Return what a content is to its title: "chip 4t" or "patch fix"."""
        return intern(f"{'chip' if name in self.title.chips else 'patch'} {name}")  # the same few, over and over

    @property
    def origins(self) -> tuple[Origin, ...]:
        """The origin of each ROM file, in the manifest's order."""
        return tuple(
            Origin(
                kind="rom-file",
                owner=self.title.id,
                ingredients=self._ingredients(rom),
                steps=describe(rom),
            )
            for rom in self.title.roms
        )

    @property
    def stamp_inputs(self) -> dict[str, str]:
        """What a stamp names; a SHA-256 pinned afterwards is none of it, while it agrees."""
        parts = {self.role(name): content.sha256 for name, content in self.used.items()}
        steps = {f"the recipe of {rom.path}": _digest(rom) for rom in self.title.roms}
        return {**parts, **steps, "the program": PROGRAM}

    def store_key(self, rom: RomFile) -> str:
        """Return what a ROM file is stored under: a digest of all it is made from, the program's version among it."""
        return digest((sorted(self.stamp_inputs.items()), rom.path))

    def _ingredients(self, rom: RomFile) -> ChipsAndPatches:
        used = self._used((rom,))
        return ChipsAndPatches(_once(tuple(map(self.role, used))), tuple(used.values()))

    def _used(self, roms: tuple[RomFile, ...]) -> dict[str, Content]:
        names = {name for rom in roms for name in chips_used(rom)}
        return {name: content for name, content in sorted(contents(self.title).items()) if name in names}


@lru_cache(1024)
def _once(roles: tuple[str, ...]) -> tuple[str, ...]:
    """Return equal roles as one value."""
    return roles


def _digest(rom: RomFile) -> str:
    """Return a digest of all that a manifest says of a ROM file but its SHA-256."""
    return digest((rom.path, rom.size, rom.fill, rom.placement, rom.key, arrangement(rom).digest))
