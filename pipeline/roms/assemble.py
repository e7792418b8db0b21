"""Checks, describes and builds the ROM files of a title."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from operator import attrgetter

from pipeline.errors import CardkilnError, CheckError, ManifestError, Problem
from pipeline.model.content import Content
from pipeline.model.manifest import RomFile, Title
from pipeline.model.units import show_size
from pipeline.roms.bind import CONTENT_KEYS, Binder, named, named_by
from pipeline.roms.chips.diagnose import check_parts
from pipeline.roms.chips.sockets import check_sockets
from pipeline.roms.operations.arguments import show_address
from pipeline.roms.operations.table import PIECES
from pipeline.roms.placement_check import Placed, check_places, put_together
from pipeline.roms.report import ProblemReport
from pipeline.roms.tree import LARGEST, Node, describe_node, evaluate

WHOLE = Node(operation=PIECES["chip"], key="", arguments={"chip": ""}, contents={"chip": ""})
"""Stands for the ROM file with its steps done, where something is done to it as a whole; no chip is called ""."""


@dataclass(frozen=True, slots=True)
class Trees:
    """A ROM file's steps as trees, None where one has problems, and the tree of what is done to the whole."""

    steps: tuple[Node | None, ...]
    whole: Node | None


def check_title(title: Title) -> list[Problem]:
    """Return every problem of a title's ROM files that is known without any byte, sorted.

    Unknown operations and chips, arguments that do not read, sizes that do not fit, pieces beyond the end, overlaps
    that no step allows, holes where the ROM file has no fill, and chips that cannot have the size of their part or of
    their socket.
    """
    report = ProblemReport(title.place)
    sizes = {name: content.size for name, content in contents(title).items() if content.size is not None}
    for name in contents(title).keys() - sizes.keys():
        report.add(f"{content_key(title, name)}.size", "the size is missing; expected how many bytes the dump has")
    unfit = check_sockets(title, report)  # what steps find of such a chip follows from it, and stands in the layout
    trees = [_check(title, rom, sizes, report) for rom in title.roms if unfit.isdisjoint(chips_used(rom))]
    check_parts(title, [node for rom in trees for node in rom.steps], sizes, report)
    _check_patches(title, report)
    return sorted(set(report.problems))


def assemble(title: Title, rom: RomFile, chips: Mapping[str, bytes]) -> bytes:
    """Return the ROM file, from the bytes of the chips and patches it uses (by name).

    Raises ManifestError for what ``check_title`` finds in it, and CheckError when a chip has another size than
    declared, when bytes that a step checks are not as written, or when the SHA-256 is not the declared one.
    """
    report = ProblemReport(title.place)
    declared = contents(title)
    sizes = {name: len(chips[name]) for name in chips_used(rom) if name in declared}
    for name, size in sizes.items():
        expected = declared[name].size
        if expected not in (None, size):
            report.add(f"{content_key(title, name)}.size", f"the dump has {size:,} bytes; expected {expected:,}")
    _stop(CheckError, report)
    trees = _check(title, rom, sizes, report)
    _stop(ManifestError, report)
    pieces = [evaluate(node, chips, attrgetter("apply"), report) if node else None for node in trees.steps]
    _stop(CheckError, report)
    result = put_together(
        [(step.at, piece) for step, piece in zip(rom.steps, pieces, strict=True) if piece], rom.size, rom.fill or 0
    )
    if trees.whole:
        result = evaluate(trees.whole, {**chips, "": result}, attrgetter("apply"), report) or b""
    _stop(CheckError, report)
    if rom.sha256 and (digest := hashlib.sha256(result).hexdigest()) != rom.sha256:
        wrong = f"with the finished file at hand, doit solve title:{title.id} {rom.key} FILE says which"
        pins = f"if the new file is meant, doit pin title:{title.id} {rom.key} built --replace"
        hint = f"every chip is the declared one, so a step is wrong, or this hash is; {wrong}; {pins}"
        report.add(f"{rom.key}.sha256", f"the steps give {digest}; expected {rom.sha256}", hint)
    _stop(CheckError, report)
    return result


def describe(rom: RomFile) -> tuple[str, ...]:
    """Return one plain line a step ("0x1000: interleave 1a, 2a (1-byte units)"), and one for what follows them all."""
    report = ProblemReport()
    trees = _bind(rom, None, report)
    _stop(ManifestError, report)
    lines = [
        f"{show_address(step.at)}: {describe_node(node)}{' (over earlier steps)' if step.over else ''}"
        for step, node in zip(rom.steps, trees.steps, strict=True)
        if node
    ]
    if trees.whole:
        lines.append("whole file: " + describe_node(trees.whole).removeprefix(", "))
    return tuple(lines)


def chips_used(rom: RomFile) -> tuple[str, ...]:
    """Return the names of the chips and patches a ROM file is made of, each once, in the order they are first used."""
    used = [name for step in rom.steps for name in named(step.piece)]
    used += [name for change in rom.then for name in named_by(change)]
    return tuple(dict.fromkeys(used))


def checked(title: Title, rom: RomFile) -> Trees:
    """Return the trees of a ROM file; raises ManifestError for what ``check_title`` finds in it."""
    report = ProblemReport(title.place)
    sizes = {name: content.size for name, content in contents(title).items() if content.size is not None}
    trees = _check(title, rom, sizes, report)
    _stop(ManifestError, report)
    return trees


def contents(title: Title) -> dict[str, Content]:
    """Return what a title's ROM files can be made of: its chips and patches, by name."""
    return {**title.patches, **{name: chip.content for name, chip in title.chips.items()}}


def content_key(title: Title, name: str) -> str:
    """Return the manifest key at which a chip ("chips.4t") or patch ("patches.fix") is declared."""
    return f"{CONTENT_KEYS['chip' if name in title.chips else 'patch']}.{name}"


def _check_patches(title: Title, report: ProblemReport) -> None:
    used = {name for rom in title.roms for name in chips_used(rom)}
    for name in title.patches:
        key = f"{CONTENT_KEYS['patch']}.{name}"
        if name in title.chips:
            report.add(key, "a chip of this title has the same name; expected another", also=(f"chips.{name}",))
        elif name not in used:
            report.add(key, "no step uses this patch", "use it in a step, or take it out")


def _bind(rom: RomFile, names: Mapping[str, Collection[str]] | None, report: ProblemReport) -> Trees:
    binder = Binder(names, report)
    steps = tuple(binder.piece(step.piece, step.key) for step in rom.steps)
    whole = binder.changes(WHOLE, rom.then, rom.key) if rom.then else None
    return Trees(steps, whole)


def _check(title: Title, rom: RomFile, sizes: Mapping[str, int], report: ProblemReport) -> Trees:
    """Return the trees of a ROM file, and report all that is wrong with them and with where they are put."""
    trees = _bind(rom, {"chip": title.chips, "patch": title.patches}, report)
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


def _stop(kind: type[CardkilnError], report: ProblemReport) -> None:
    if report.problems:
        raise kind(report.problems)
