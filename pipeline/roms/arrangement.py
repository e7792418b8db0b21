"""What the steps of a ROM file come to, whichever title it is of.

Titles of one core mostly arrange their chips in the same few ways, and their ROM files then have the very same steps
(``manifest.decode.rom_files``): what does not depend on the title is worked out once for all of them.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache
from operator import attrgetter

from pipeline.errors import ManifestError, Problem
from pipeline.model.manifest import RomFile
from pipeline.model.units import show_size
from pipeline.roms.bind import Binder, named, named_by
from pipeline.roms.operations.arguments import show_address
from pipeline.roms.operations.operation import parameter
from pipeline.roms.operations.table import PIECES
from pipeline.roms.placement_check import Placed, check_places
from pipeline.roms.report import ProblemReport
from pipeline.roms.tree import LARGEST, Node, describe_node, evaluate

KEPT = 64
"""Arrangements that are kept, the last ones that were used."""

WHOLE = Node(operation=PIECES["chip"], key="", arguments={"chip": ""}, contents={"chip": ""})
"""Stands for the ROM file with its steps done, where something is done to it as a whole; no chip is called ""."""


@dataclass(frozen=True, slots=True)
class Trees:
    """A ROM file's steps as trees, None where one has problems, and the tree of what is done to the whole."""

    steps: tuple[Node | None, ...]
    whole: Node | None


class Arrangement:
    """What the steps of a ROM file come to; each part is worked out when it is first asked for.

    ``rom``: a ROM file that has these steps. Titles whose steps are like no other's pay for no part they do not need.
    """

    def __init__(self, rom: RomFile) -> None:
        self.rom = rom

    @property
    def is_sound(self) -> bool:
        """Whether nothing is wrong with the steps, whatever chips and patches a title declares."""
        return not self._bound[1]

    @property
    def trees(self) -> Trees:
        """The steps as trees; raises ManifestError with what is wrong with them."""
        trees, problems = self._bound
        if problems:
            raise ManifestError(problems)
        return trees

    @cached_property
    def names(self) -> tuple[str, ...]:
        """The names of the chips and patches in the steps, each once, in the order they are first used."""
        used = [name for step in self.rom.steps for name in named(step.piece)]
        used += [name for change in self.rom.then for name in named_by(change)]
        return tuple(dict.fromkeys(used))

    @cached_property
    def kinds(self) -> frozenset[tuple[str, str]]:
        """What must be declared: ("chip" or "patch", name)."""
        return frozenset(_kinds(node for node in (*self.trees.steps, self.trees.whole) if node))

    @cached_property
    def lines(self) -> tuple[str, ...]:
        """The steps in words, as ``roms.assemble.describe`` gives them."""
        return tuple(_lines(self.rom, self.trees))

    @cached_property
    def digest(self) -> str:
        """A digest of the steps: equal for equal steps, in any run, on any machine."""
        return hashlib.sha256(repr((self.rom.steps, self.rom.then)).encode()).hexdigest()

    def is_declared(self, names: Mapping[str, Collection[str]]) -> bool:
        """Whether a title has all that the steps name; ``names``: its chips and patches, by kind."""
        return all(name in names[kind] for kind, name in self.kinds)

    @cached_property
    def _bound(self) -> tuple[Trees, list[Problem]]:
        report = ProblemReport()
        return bind(self.rom, None, report), report.problems


def arrangement(rom: RomFile) -> Arrangement:
    """Return what a ROM file's steps come to."""
    return _arranged(_Steps(rom))


def bind(rom: RomFile, names: Mapping[str, Collection[str]] | None, report: ProblemReport) -> Trees:
    """Return a ROM file's steps as trees and report what is wrong with them; ``names`` as ``Binder`` has them."""
    binder = Binder(names, report)
    steps = tuple(binder.piece(step.piece, step.key) for step in rom.steps)
    whole = binder.changes(WHOLE, rom.then, rom.key) if rom.then else None
    return Trees(steps, whole)


def check_sizes(rom: RomFile, trees: Trees, sizes: Mapping[str, int], report: ProblemReport) -> None:
    """Report what is wrong with the sizes of the pieces and with where they are put; ``sizes``: of chips, by name."""
    if rom.size > LARGEST:
        report.add(f"{rom.key}.size", f"is {show_size(rom.size)}; expected {show_size(LARGEST)} at most")
    ends = [evaluate(node, sizes, attrgetter("size"), report) if node else None for node in trees.steps]
    placed = [Placed(step.at, step.at + size, step.key, step.over) if size else None
              for step, size in zip(rom.steps, ends, strict=True)]  # fmt: skip
    check_places(rom, placed, report)
    if trees.whole:
        size = evaluate(trees.whole, {**sizes, "": rom.size}, attrgetter("size"), report)
        if size not in (None, rom.size):
            report.add(f"{rom.key}.then", f"changes the size to {size:,} bytes; expected {rom.size:,} as declared")


class _Steps:
    """The steps of a ROM file; equal to those of another one when they are the very same values."""

    __slots__ = ("rom",)

    def __init__(self, rom: RomFile) -> None:
        self.rom = rom

    def __hash__(self) -> int:
        return hash((id(self.rom.steps), id(self.rom.then), self.rom.key))

    def __eq__(self, other: object) -> bool:
        return (
            isinstance(other, _Steps)
            and self.rom.steps is other.rom.steps
            and self.rom.then is other.rom.then
            and self.rom.key == other.rom.key
        )


@lru_cache(KEPT)
def _arranged(steps: _Steps) -> Arrangement:
    return Arrangement(steps.rom)


def _kinds(nodes: Iterable[Node]) -> Iterator[tuple[str, str]]:
    for node in nodes:
        yield from _kinds(node.parts)
        kinds = {parameter(name): argument.names for name, argument in node.operation.arguments.items()}
        yield from ((kinds[argument], name) for argument, name in node.contents.items() if node is not WHOLE)


def _lines(rom: RomFile, trees: Trees) -> Iterator[str]:
    for step, node in zip(rom.steps, trees.steps, strict=True):
        if node:
            yield f"{show_address(step.at)}: {describe_node(node)}{' (over earlier steps)' if step.over else ''}"
    if trees.whole:
        yield "whole file: " + describe_node(trees.whole).removeprefix(", ")
