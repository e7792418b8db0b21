"""Checks, describes and builds the ROM files of a title."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from operator import attrgetter

from pipeline.errors import CardkilnError, CheckError, ManifestError, Problem
from pipeline.model.content import Content
from pipeline.model.manifest import RomFile, Title
from pipeline.roms.arrangement import Arrangement, Trees, arrangement, bind, check_sizes
from pipeline.roms.bind import CONTENT_KEYS
from pipeline.roms.chips.diagnose import check_parts
from pipeline.roms.chips.sockets import check_sockets
from pipeline.roms.placement_check import put_together
from pipeline.roms.report import ProblemReport
from pipeline.roms.tree import evaluate


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
    return arrangement(rom).lines


def chips_used(rom: RomFile) -> tuple[str, ...]:
    """Return the names of the chips and patches a ROM file is made of, each once, in the order they are first used."""
    return arrangement(rom).names


def checked(title: Title, rom: RomFile) -> Arrangement:
    """Return what the steps of a ROM file come to; raises ManifestError for what ``check_title`` finds in it."""
    report = ProblemReport(title.place)
    sizes = {name: content.size for name, content in contents(title).items() if content.size is not None}
    _check(title, rom, sizes, report)
    _stop(ManifestError, report)
    return arrangement(rom)


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


def _check(title: Title, rom: RomFile, sizes: Mapping[str, int], report: ProblemReport) -> Trees:
    """Return the trees of a ROM file, and report all that is wrong with them and with where they are put."""
    names, known = {"chip": title.chips, "patch": title.patches}, arrangement(rom)
    trees = known.trees if known.is_sound and known.is_declared(names) else bind(rom, names, report)
    check_sizes(rom, trees, sizes, report)
    return trees


def _stop(kind: type[CardkilnError], report: ProblemReport) -> None:
    if report.problems:
        raise kind(report.problems)
