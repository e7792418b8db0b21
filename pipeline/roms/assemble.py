"""Checks, describes and builds the ROM files of a title."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from operator import attrgetter

from pipeline.errors import CardkilnError, CheckError, ManifestError, Problem
from pipeline.model.manifest import RomFile, Title
from pipeline.model.units import show_size
from pipeline.roms.arguments import show_address
from pipeline.roms.bind import Binder
from pipeline.roms.placing import Placed, check_places
from pipeline.roms.report import Report
from pipeline.roms.table import PIECES
from pipeline.roms.tree import LARGEST, Node, chips_of, evaluate, tell

WHOLE = Node(operation=PIECES["chip"], key="", arguments={"chip": ""}, chips={"chip": ""})
"""Stands for the ROM file with its steps done, where something is done to it as a whole; no chip is called ""."""


@dataclass(frozen=True, slots=True)
class Trees:
    """A ROM file's steps as trees, None where one has problems, and the tree of what is done to the whole."""

    steps: tuple[Node | None, ...]
    whole: Node | None


def check_title(title: Title) -> list[Problem]:
    """Return every problem of a title's ROM files that is known without any byte, sorted.

    Unknown operations and chips, arguments that do not read, sizes that do not fit, pieces beyond the end, overlaps
    that no step allows, and holes where the ROM file has no fill.
    """
    report = Report(title.file)
    sizes = {name: chip.content.size for name, chip in title.chips.items() if chip.content.size is not None}
    for name in title.chips.keys() - sizes.keys():
        report.add(f"chips.{name}.size", "the size is missing; expected how many bytes the dump has")
    for rom in title.roms:
        _check(rom, title.chips, sizes, report)
    return sorted(set(report.problems))


def assemble(title: Title, rom: RomFile, chips: Mapping[str, bytes]) -> bytes:
    """Return the ROM file, from the contents of the chips it uses (by name).

    Raises ManifestError for what ``check_title`` finds in it, and CheckError when a chip has another size than
    declared, when bytes that a step checks are not as written, or when the SHA-256 is not the declared one.
    """
    report = Report(title.file)
    sizes = {name: len(chips[name]) for name in chips_used(rom) if name in title.chips}
    for name, size in sizes.items():
        declared = title.chips[name].content.size
        if declared not in (None, size):
            report.add(f"chips.{name}.size", f"the dump has {size:,} bytes; expected {declared:,}")
    _stop(CheckError, report)
    trees = _check(rom, title.chips, sizes, report)
    _stop(ManifestError, report)
    data = bytearray([rom.fill or 0]) * rom.size
    for step, node in zip(rom.steps, trees.steps, strict=True):
        piece = evaluate(node, chips, attrgetter("apply"), report) if node else None
        if piece is not None:
            data[step.at : step.at + len(piece)] = piece
    _stop(CheckError, report)
    whole = evaluate(trees.whole or WHOLE, {**chips, "": bytes(data)}, attrgetter("apply"), report)
    _stop(CheckError, report)
    result = whole or b""
    digest = hashlib.sha256(result).hexdigest()
    if rom.sha256 and digest != rom.sha256:
        hint = "every chip is the declared one, so a step is wrong, or this hash is"
        report.add(f"{rom.key}.sha256", f"the steps give {digest}; expected {rom.sha256}", hint)
    _stop(CheckError, report)
    return result


def describe(rom: RomFile) -> tuple[str, ...]:
    """Return one plain line a step ("0x1000: interleave 1a, 2a (1-byte units)"), and one for what follows them all."""
    report = Report()
    trees = _bind(rom, None, report)
    _stop(ManifestError, report)
    lines = [
        f"{show_address(step.at)}: {tell(node)}{' (over earlier steps)' if step.over else ''}"
        for step, node in zip(rom.steps, trees.steps, strict=True)
        if node
    ]
    if trees.whole:
        lines.append("whole file: " + tell(trees.whole).removeprefix(", "))
    return tuple(lines)


def chips_used(rom: RomFile) -> tuple[str, ...]:
    """Return the names of the chips a ROM file is made of, each once, in the order they are first used."""
    trees = _bind(rom, None, Report())
    nodes = [node for node in (*trees.steps, trees.whole) if node]
    return tuple(dict.fromkeys(name for node in nodes for name in chips_of(node) if name))


def _bind(rom: RomFile, chips: Collection[str] | None, report: Report) -> Trees:
    binder = Binder(chips, report)
    steps = tuple(binder.piece(step.piece, step.key) for step in rom.steps)
    whole = binder.changes(WHOLE, rom.then, rom.key) if rom.then else None
    return Trees(steps, whole)


def _check(rom: RomFile, chips: Collection[str], sizes: Mapping[str, int], report: Report) -> Trees:
    """Return the trees of a ROM file, and report all that is wrong with them and with where they are put."""
    trees = _bind(rom, chips, report)
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
    return trees


def _stop(kind: type[CardkilnError], report: Report) -> None:
    if report.problems:
        raise kind(report.problems)
