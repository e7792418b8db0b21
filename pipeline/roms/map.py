"""The map of a ROM file: which of its bytes are from what, through which operations."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

from pipeline.model.manifest import RomFile, Title
from pipeline.model.ranges import Range, RangeSource
from pipeline.model.text import shown
from pipeline.model.units import show_size
from pipeline.roms.arrangement import KEPT, Arrangement
from pipeline.roms.assemble import checked, contents
from pipeline.roms.operations.arguments import show_range, show_value
from pipeline.roms.provenance import placed, whole
from pipeline.roms.tree import trace

VERSION = 1
WHOLE_FILE = "whole file: "
"""Begins the words for what is done to the whole after its steps."""


def rom_map(title: Title, rom: RomFile) -> tuple[Range, ...]:
    """Return the ranges of a ROM file: all of it in order, without a gap, neighbours of equal sources as one.

    Where steps overlap, the last one counts. A byte depends on nothing but what its range names; where an operation
    spreads bytes widely, the range may name more. Raises ManifestError for what ``check_title`` finds in it.
    """
    known, declared = checked(title, rom), contents(title)
    used = tuple((kind, name, declared[name].size or 0, _holds(title, name)) for kind, name in sorted(known.kinds))
    return _ranges(known, rom.size, rom.fill, used)


@lru_cache(KEPT)
def _ranges(
    known: Arrangement, size: int, fill: int | None, used: tuple[tuple[str, str, int, str], ...]
) -> tuple[Range, ...]:
    """Return the ranges of a ROM file; ``used``: kind, name, size and what is in it of each chip and patch."""
    sources = {name: whole(of_it, RangeSource(kind, name, holds=holds)) for kind, name, of_it, holds in used}
    trees = known.trees
    steps = [(step.at, trace(node, sources)) for step, node in zip(known.rom.steps, trees.steps, strict=True) if node]
    ranges = placed(whole(size, RangeSource("hole", show_value(fill or 0))), steps)
    return trace(trees.whole, {**sources, "": ranges}, WHOLE_FILE) if trees.whole else ranges


def _holds(title: Title, name: str) -> str:
    return title.chips[name].holds if name in title.chips else ""


def map_text(rom: RomFile, ranges: Sequence[Range]) -> str:
    """Return a map as lines for people: first and last address, size, and each source on a line of its own."""
    addresses = [show_range(part.start, part.end) for part in ranges]
    sizes = [show_size(part.end - part.start) for part in ranges]
    left, middle = max(map(len, addresses)), max(map(len, sizes))
    lines = [f"{rom.path}, {show_size(rom.size)}"]
    for address, size, part in zip(addresses, sizes, ranges, strict=True):
        start = f"  {address:{left}}  {size:>{middle}}  "
        for source in part.sources:
            lines.append(start + source.words)
            start = " " * len(start)
    return "".join(f"{shown(line)}\n" for line in lines)


def map_document(title: Title, maps: Sequence[tuple[RomFile, Sequence[Range]]]) -> dict[str, object]:
    """Return the maps of a title's ROM files as JSON has them; ``end`` is the first address behind a range."""
    return {
        "cardkiln-map": VERSION,
        "title": title.id,
        "rom-files": [
            {"path": rom.path, "size": rom.size, "ranges": [_range(part) for part in ranges]} for rom, ranges in maps
        ],
    }


def _range(part: Range) -> dict[str, object]:
    sources = [
        {
            "kind": source.kind,
            "name": source.name,
            **({"holds": source.holds} if source.holds else {}),
            "through": list(source.through),
        }
        for source in part.sources
    ]
    return {"start": part.start, "end": part.end, "sources": sources}
