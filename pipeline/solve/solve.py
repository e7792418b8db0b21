"""The steps that arrange chips into a finished ROM file: found, put in order, and proven by assembling them."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from pipeline.errors import CardkilnError
from pipeline.model.content import Content
from pipeline.model.manifest import Chip, Piece, Rights, RomFile, Step, Title
from pipeline.roms.assemble import assemble
from pipeline.solve.atoms import AtomSource, Span, fill_byte
from pipeline.solve.containers import with_containers
from pipeline.solve.cover import cover
from pipeline.solve.entries import PlacedPiece, gaps_between, in_layers, placed
from pipeline.solve.looks import looks
from pipeline.solve.merge import merged
from pipeline.solve.notes import notes_on
from pipeline.solve.rest import as_fills_and_literals, find_fields, literal
from pipeline.solve.search import find_patterns, find_runs, find_spans, marked

LARGEST = 16 << 20
"""Bytes of a finished file that is looked into."""
MOST_BYTES = 64 << 20
"""Bytes of all chips together."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unexplained:
    """A run of the finished file that nothing explains, and what it looks like."""

    start: int
    end: int
    looks: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Solution:
    """The steps found: ``rom`` gives all but what is ``unexplained``; ``notes`` say where another answer is equal."""

    rom: RomFile
    unexplained: tuple[Unexplained, ...]
    notes: tuple[str, ...]
    unused: tuple[str, ...]

    @property
    def explained(self) -> int:
        """Bytes that the steps give."""
        return self.rom.size - sum(run.end - run.start for run in self.unexplained)


def solve(finished: bytes, chips: Mapping[str, bytes], path: str = "FINISHED.ROM") -> Solution:
    """Return the steps that give the finished file with the least cost (see ``cover.Cost``), proven by assembling.

    ``chips`` in the order in which equals are preferred; neither is empty. Deterministic.
    """
    sources, alike = _distinct(chips)
    blank = [*find_runs(finished), *find_patterns(finished)]
    spans = find_spans(finished, sources, marked(blank, len(finished)))
    value, chosen = _chosen(finished, spans, blank, [source.chip for source in sources])
    entries = in_layers([PlacedPiece(span.start, span.made) for span in chosen])
    fields, gaps = find_fields(finished, chips, entries, gaps_between(entries, len(finished)))
    filled, open_ = as_fills_and_literals(finished, gaps)
    steps = placed(finished, chips, entries, filled, value)
    is_filled = value is not None and any(fill_byte(span) == value for span in filled)
    if not is_filled:
        value = (
            0
            if gaps_between([*steps, *(PlacedPiece(a, literal(finished[a:b])) for a, b in open_)], len(finished))
            else None
        )
    names = _named_in_turn(steps, alike)
    rom = RomFile(
        path=path,
        size=len(finished),
        fill=value,
        steps=tuple(names),
        sha256="" if open_ else hashlib.sha256(finished).hexdigest(),
        placement="anywhere",
        key="rom.1",
        then=tuple(check.change for check in fields),
    )
    _prove(finished, chips, rom, open_)
    used = {name for step in names for name in _chips_of(step.piece)}
    return Solution(
        rom=rom,
        unexplained=tuple(Unexplained(start=a, end=b, looks=looks(finished[a:b], sources)) for a, b in open_),
        notes=tuple(notes_on(finished, entries, fields, filled, alike, sources, used)),
        unused=tuple(name for name in chips if name not in used),
    )


def _chosen(
    finished: bytes, spans: Sequence[Span], blank: Sequence[Span], order: Sequence[str]
) -> tuple[int | None, list[Span]]:
    """Return the byte that fills the ROM file, and the spans that explain the rest with the least cost."""
    outside = list(blank)
    while True:
        value = _fill_value(cover([*spans, *outside], len(finished), bytes(len(finished)), order))
        free = marked([span for span in blank if fill_byte(span) == value], len(finished))
        fills = [span for span in blank if fill_byte(span) != value]
        chosen = with_containers(finished, merged(cover([*spans, *fills], len(finished), free, order)))
        inside = marked([span for span in chosen if span.made.piece.operation == "container"], len(finished))
        if not any(inside[span.end - 1] for span in outside):
            return value, chosen
        outside = [span for span in outside if not inside[span.end - 1]]


def _distinct(chips: Mapping[str, bytes]) -> tuple[list[AtomSource], dict[str, list[str]]]:
    """Return one source for each content, and the names of all chips that hold it by the first of them."""
    first: dict[bytes, str] = {}
    alike: dict[str, list[str]] = {}
    for name, data in chips.items():
        if data:
            alike.setdefault(first.setdefault(data, name), []).append(name)
    return [AtomSource(name, data) for data, name in first.items()], alike


def _fill_value(spans: Sequence[Span]) -> int | None:
    """Return the byte of most runs among the spans, which the ROM file can name once."""
    sizes: dict[int, list[int]] = {}
    for span in spans:
        value = fill_byte(span)
        if value is not None:
            sizes.setdefault(value, []).append(span.end - span.start)
    if not sizes:
        return None
    return max(sizes, key=lambda value: (len(sizes[value]), sum(sizes[value]), -value))


def _named_in_turn(entries: Sequence[PlacedPiece], alike: Mapping[str, Sequence[str]]) -> list[Step]:
    """Return the steps; chips with equal content are named in turn, so that each is used where there is use for it."""
    times: dict[str, int] = {}

    def named(piece: Piece) -> Piece:
        parts = tuple(map(named, piece.parts))
        name = piece.name
        if piece.operation == "chip":
            names = alike.get(name, [name])
            used = times.get(name, 0)
            times[name] = used + 1
            name = names[min(used, len(names) - 1)]
        return replace(piece, parts=parts, name=name)

    return [
        Step(at=entry.start, piece=named(entry.made.piece), over=entry.over, key=f"rom.1.steps.{n}")
        for n, entry in enumerate(entries, 1)
    ]


def _chips_of(piece: Piece) -> list[str]:
    return [*([piece.name] if piece.operation == "chip" else []), *(n for part in piece.parts for n in _chips_of(part))]


def _prove(finished: bytes, chips: Mapping[str, bytes], rom: RomFile, open_: Sequence[tuple[int, int]]) -> None:
    """Assemble the steps as a build does, and hold them against the finished file; raises where they differ.

    What stays open is put in as it is, since a check field may cover it.
    """
    title = Title(
        id="solved", file="", name="", core="", tags=(), folder="",
        chips={n: Chip(name=n, content=Content(sha256="", size=len(data))) for n, data in chips.items() if data},
        roms=(rom,), files=(), orientation="", buttons=0, rights=Rights(), source="", date="",
    )  # fmt: skip
    if not rom.steps:
        return
    left = [
        Step(at=start, piece=literal(finished[start:end]).piece, over=False, key=f"open.{start}")
        for start, end in open_
    ]
    if assemble(title, replace(rom, steps=(*left, *rom.steps)), chips) != finished:
        raise CardkilnError.one("the steps found do not give the finished file; this is a fault of the program")
