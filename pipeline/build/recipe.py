"""What a title's ROM files are made from, worked out of its manifest alone."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from pipeline.model.content import Content, Ingredient, Origin
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
        """The chips and patches that all the ROM files are made of, by name, sorted."""
        return self.used_in(*self.title.roms)

    def used_in(self, *roms: RomFile) -> dict[str, Content]:
        """Return the chips and patches that some of the title's ROM files are made of, by name, sorted."""
        names, declared = {name for rom in roms for name in chips_used(rom)}, contents(self.title)
        return {name: declared[name] for name in sorted(names & declared.keys())}

    def role(self, name: str) -> str:
        """Return what a content is to its title: "chip 4t" or "patch fix"."""
        return f"{'chip' if name in self.title.chips else 'patch'} {name}"

    @property
    def origins(self) -> tuple[Origin, ...]:
        """The origin of each ROM file, in the manifest's order."""
        return tuple(
            Origin(
                kind="rom-file",
                owner=self.title.id,
                ingredients=_Ingredients(self.title, rom),
                steps=_Steps(rom),
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


@dataclass(frozen=True, slots=True)
class _Ingredients:
    """What goes into a ROM file, worked out each time it is gone through: titles are many, and few ask for it."""

    title: Title
    rom: RomFile

    def __iter__(self) -> Iterator[Ingredient]:
        recipe = Recipe(self.title)
        for name, content in recipe.used_in(self.rom).items():
            yield Ingredient(role=recipe.role(name), size=content.size or 0, sha256=content.sha256)


@dataclass(frozen=True, slots=True)
class _Steps:
    """The steps of a ROM file in words, worked out each time they are gone through."""

    rom: RomFile

    def __iter__(self) -> Iterator[str]:
        return iter(describe(self.rom))


def _digest(rom: RomFile) -> str:
    """Return a digest of all that a manifest says of a ROM file but its SHA-256."""
    return digest((rom.path, rom.size, rom.fill, rom.placement, rom.key, arrangement(rom).digest))
