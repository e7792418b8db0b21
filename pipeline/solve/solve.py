"""The steps that arrange chips into a finished ROM file: found, put in order, and proven by assembling them."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from pipeline.errors import CardkilnError
from pipeline.model.content import Content
from pipeline.model.manifest import Chip, Piece, Rights, RomFile, Step, Title
from pipeline.model.text import counted, quoted
from pipeline.roms.assemble import assemble
from pipeline.roms.operations.arguments import show_address
from pipeline.solve.atoms import Atom, AtomSource, Built, Span, as_size, bytes_of, change
from pipeline.solve.check_values import WIDEST, CheckField, check_fields, fields_within
from pipeline.solve.cover import cover, merged, then
from pipeline.solve.groups import run
from pipeline.solve.looks import looks, period
from pipeline.solve.search import RUNS, find_runs, find_spans, marked
from pipeline.solve.values import lines_are_certain

LARGEST = 16 << 20
"""Bytes of a finished file that is looked into."""
MOST_BYTES = 64 << 20
"""Bytes of all chips together."""
LONGEST_LITERAL = 512
"""Bytes of a header or trailer that are written down as they are (common practice: headers of up to 512 bytes)."""
MOST_LITERALS = 16
SHORTEST_PATTERN = 16
"""Bytes of a repeated pattern that counts as a fill."""
MOST_TOLD = 12
"""Notes of one kind."""


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


@dataclass(slots=True)
class _Entry:
    """A piece at an address; ``over``: it replaces what earlier ones placed; ``patches``: bytes that differ there."""

    start: int
    made: Atom | Built
    over: bool = False
    patches: list[tuple[int, int]] = field(default_factory=list)

    @property
    def end(self) -> int:
        return self.start + self.made.size


def solve(finished: bytes, chips: Mapping[str, bytes], path: str = "FINISHED.ROM") -> Solution:
    """Return the steps that give the finished file with the least cost (see ``cover.Cost``), proven by assembling.

    ``chips`` in the order in which equals are preferred; neither is empty. Deterministic.
    """
    sources, alike = _distinct(chips)
    blank = find_runs(finished)
    spans = find_spans(finished, sources, marked(blank, len(finished)))
    order = [source.chip for source in sources]
    value = _fill_value(cover([*spans, *blank], len(finished), bytes(len(finished)), order))
    free = marked([span for span in blank if _value(span) == value], len(finished))
    chosen = merged(cover([*spans, *(span for span in blank if _value(span) != value)], len(finished), free, order))
    entries = _over([_Entry(span.start, span.made) for span in chosen])
    fields, gaps = _fields(finished, chips, entries, _gaps(entries, len(finished)))
    filled, open_ = _rest(finished, gaps)
    steps = _steps(finished, chips, entries, filled, value)
    is_filled = value is not None and any(_value(span) == value for span in filled)
    if not is_filled:
        value = 0 if _gaps([*steps, *(_Entry(a, _literal(finished[a:b])) for a, b in open_)], len(finished)) else None
    names = _named_in_turn(steps, alike)
    rom = RomFile(
        path=path,
        size=len(finished),
        fill=value,
        steps=tuple(names),
        sha256="" if open_ else hashlib.sha256(finished).hexdigest(),
        placement="anywhere",
        key="rom.1",
        then=tuple(one.change for one in fields),
    )
    _prove(finished, chips, rom, open_)
    used = {name for step in names for name in _chips_of(step.piece)}
    return Solution(
        rom=rom,
        unexplained=tuple(Unexplained(start=a, end=b, looks=looks(finished[a:b], sources)) for a, b in open_),
        notes=tuple(_notes(finished, entries, fields, filled, alike, sources, used)),
        unused=tuple(name for name in chips if name not in used),
    )


def _distinct(chips: Mapping[str, bytes]) -> tuple[list[AtomSource], dict[str, list[str]]]:
    """Return one source for each content, and the names of all chips that hold it by the first of them."""
    first: dict[bytes, str] = {}
    alike: dict[str, list[str]] = {}
    for name, data in chips.items():
        if data:
            alike.setdefault(first.setdefault(data, name), []).append(name)
    return [AtomSource(name, data) for data, name in first.items()], alike


def _over(entries: list[_Entry]) -> list[_Entry]:
    """Return the entries with the parts of one chip that others interrupt put together, those on top of them."""
    n, result = 0, list[_Entry]()
    while n < len(entries):
        entry, reached = entries[n], n
        last = n
        for m in range(n + 1, len(entries)):
            joined = _continued(entry, entries[m])
            if joined is None:
                continue
            entry, last = joined, m
        inner = [replace(one, over=True) for one in entries[n + 1 : last + 1]
                 if not _is_part(one, entry)]  # fmt: skip
        result += [entry, *inner]
        n = max(last, reached) + 1
    return result


def _same_place(one: Atom, at: int, two: Atom, there: int) -> bool:
    return one.source is two.source and str(one.then) == str(two.then) and two.offset - one.offset == there - at


def _is_part(one: _Entry, entry: _Entry) -> bool:
    return (
        isinstance(one.made, Atom)
        and isinstance(entry.made, Atom)
        and _same_place(entry.made, entry.start, one.made, one.start)
    )


def _continued(entry: _Entry, later: _Entry) -> _Entry | None:
    """Return the entry drawn out to the end of a later one that goes on with the same chip; None where none does."""
    one, two = entry.made, later.made
    if not (isinstance(one, Atom) and isinstance(two, Atom) and _same_place(one, entry.start, two, later.start)):
        return None
    return _Entry(entry.start, replace(one, size=two.offset + two.size - one.offset), entry.over)


def _gaps(entries: Sequence[_Entry], size: int) -> list[tuple[int, int]]:
    """Return the runs that no entry covers."""
    gaps, reached = list[tuple[int, int]](), 0
    for entry in sorted(entries, key=lambda entry: entry.start):
        if entry.start > reached:
            gaps.append((reached, entry.start))
        reached = max(reached, entry.end)
    return [*gaps, (reached, size)] if reached < size else gaps


def _patches(entries: Sequence[_Entry], finished: bytes, chips: Mapping[str, bytes]) -> None:
    """Note in each entry the bytes that differ and that nothing over it replaces; near ones as one run."""
    for n, entry in enumerate(entries):
        data = bytes_of(entry.made.piece, chips)
        if data == finished[entry.start : entry.end]:
            continue
        over = [(one.start, one.end) for one in entries[n + 1 :] if one.over and one.start < entry.end]
        runs_: list[tuple[int, int]] = []
        for at in range(entry.start, entry.end):
            if data[at - entry.start] == finished[at] or any(start <= at < end for start, end in over):
                continue
            if runs_ and at - runs_[-1][1] < WIDEST and not any(runs_[-1][1] <= start < at for start, _ in over):
                runs_[-1] = (runs_[-1][0], at + 1)
            else:
                runs_.append((at, at + 1))
        entry.patches = runs_


def _fields(
    finished: bytes, chips: Mapping[str, bytes], entries: Sequence[_Entry], gaps: Sequence[tuple[int, int]]
) -> tuple[list[CheckField], list[tuple[int, int]]]:
    """Return the check fields that explain gaps and patches, in an order in which each finds its range finished.

    Returns also the gaps that remain; explained patches are taken from their entries.
    """
    _patches(entries, finished, chips)
    borders = sorted({border for entry in entries for border in (entry.start, entry.end)})
    found: list[CheckField] = []
    parts = [part for gap in gaps for part in _split(finished, *gap)]
    for part in parts:
        one = None if RUNS.fullmatch(finished, *part) else _field(finished, part, borders)
        if one:
            found.append(one)
    for entry in entries:
        for patch in list(entry.patches):
            one = _field(finished, patch, borders) if patch[1] - patch[0] <= WIDEST else None
            if one:
                found.append(one)
                entry.patches.remove(patch)
    ordered = _ordered(found)
    if ordered is None:
        _patches(entries, finished, chips)
        return [], parts
    return ordered, _without(parts, ordered)


def _without(parts: Sequence[tuple[int, int]], fields: Sequence[CheckField]) -> list[tuple[int, int]]:
    """Return what is left of runs where fields lie in them."""
    left = list(parts)
    for one in fields:
        cut = [((start, min(end, one.start)), (max(start, one.end), end)) for start, end in left]
        left = [(a, b) for pieces in cut for a, b in dict.fromkeys(pieces) if a < b]
    return left


def _field(finished: bytes, gap: tuple[int, int], borders: Sequence[int]) -> CheckField | None:
    """Return the field that explains a gap or, in a longer one, its first or last bytes."""
    start, end = gap
    if end - start <= WIDEST:
        return next(check_fields(finished, start, end, borders), None)
    if end - start > LONGEST_LITERAL:
        return None
    return next(fields_within(finished, start, end), None)


def _ordered(fields: Sequence[CheckField]) -> list[CheckField] | None:
    left, done = list(fields), list[CheckField]()
    while left:
        ready = [
            one for one in left
            if not any(o is not one and o.start < one.last and one.first < o.end for o in left)
        ]  # fmt: skip
        if not ready:
            return None
        done += ready
        left = [one for one in left if one not in ready]
    return done


def _rest(finished: bytes, gaps: Sequence[tuple[int, int]]) -> tuple[list[Span], list[tuple[int, int]]]:
    """Return gaps as runs, patterns and literal bytes, and those that stay open."""
    filled, open_ = list[Span](), list[tuple[int, int]]()
    literal = literals = 0
    for start, end in gaps:
        for a, b in _split(finished, start, end):
            data = finished[a:b]
            length = period(data)
            made: Atom | Built
            if length == 1:
                made = run(data[0], b - a)
            elif length and b - a >= max(SHORTEST_PATTERN, 4 * length):
                size = (b - a) // length * length
                pattern = data[:length].hex(" ").upper()
                made = Built(Piece(operation="fill", arguments={"fill": pattern, "size": as_size(size)}), size)
                if size < b - a:
                    filled.append(Span(a + size, b, _literal(data[size:])))
                filled.append(Span(a, a + size, made))
                continue
            elif (
                b - a <= LONGEST_LITERAL and literal + b - a <= max(len(finished) // 4, 4) and literals < MOST_LITERALS
            ):
                literal, literals = literal + b - a, literals + 1
                made = _literal(data)
            else:
                open_.append((a, b))
                continue
            filled.append(Span(a, b, made))
    return sorted(filled, key=lambda span: span.start), open_


def _split(finished: bytes, start: int, end: int) -> list[tuple[int, int]]:
    """Return a gap cut where long runs of one value begin and end."""
    parts, reached = [], start
    for found in RUNS.finditer(finished, start, end):
        parts += [(reached, found.start()), found.span()]
        reached = found.end()
    return [(a, b) for a, b in [*parts, (reached, end)] if a < b]


def _literal(data: bytes) -> Built:
    return Built(Piece(operation="bytes", arguments={"bytes": data.hex(" ").upper()}), len(data))


def _value(span: Span) -> int | None:
    """Return the byte of a run, None for anything else."""
    value = span.made.piece.arguments.get("fill")
    return value if isinstance(value, int) else None


def _fill_value(spans: Sequence[Span]) -> int | None:
    """Return the byte of most runs among the spans, which the ROM file can name once."""
    sizes: dict[int, list[int]] = {}
    for span in spans:
        value = _value(span)
        if value is not None:
            sizes.setdefault(value, []).append(span.end - span.start)
    if not sizes:
        return None
    return max(sizes, key=lambda value: (len(sizes[value]), sum(sizes[value]), -value))


def _steps(
    finished: bytes, chips: Mapping[str, bytes], entries: Sequence[_Entry], filled: Sequence[Span], value: int | None
) -> list[_Entry]:
    """Return everything that is placed, in order of address, what lies over others after them."""
    rest = [_Entry(span.start, span.made) for span in filled
            if value is None or _value(span) != value]  # fmt: skip
    patched = []
    for entry in entries:
        if not entry.patches:
            patched.append(entry)
            continue
        data = bytes_of(entry.made.piece, chips)
        overlays = tuple(
            change("overlay", {
                "at": a - entry.start,
                "old": data[a - entry.start : b - entry.start].hex(" ").upper(),
                "new": finished[a:b].hex(" ").upper(),
            })
            for a, b in entry.patches
        )  # fmt: skip
        patched.append(_Entry(entry.start, then(entry.made, overlays, entry.made.size), entry.over))
    base = sorted((*rest, *(one for one in patched if not one.over)), key=lambda one: one.start)
    return [*base, *(one for one in patched if one.over)]


def _named_in_turn(entries: Sequence[_Entry], alike: Mapping[str, Sequence[str]]) -> list[Step]:
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
        Step(at=start, piece=_literal(finished[start:end]).piece, over=False, key=f"open.{start}")
        for start, end in open_
    ]
    if assemble(title, replace(rom, steps=(*left, *rom.steps)), chips) != finished:
        raise CardkilnError.one("the steps found do not give the finished file; this is a fault of the program")


def _notes(
    finished: bytes,
    entries: Sequence[_Entry],
    fields: Sequence[CheckField],
    filled: Sequence[Span],
    alike: Mapping[str, Sequence[str]],
    sources: Sequence[AtomSource],
    used: set[str],
) -> list[str]:
    same = "hold the same bytes; any of them may stand where one of them is named"
    notes = [f"chips {quoted(names, 'and')} {same}" for names in alike.values() if len(names) > 1 and used & set(names)]
    notes += [
        f"the check field {field.change.operation} at {show_address(field.start)} is 1 byte, which can fit by chance: "
        "try the steps on another finished file"
        for field in fields
        if field.end - field.start == 1
    ]
    blank = {source.data[0]: source for source in sources if source.data.count(source.data[0]) == len(source.data)}
    for span in filled:
        value = _value(span)
        if value in blank and span.end - span.start >= len(blank[value].data):
            notes.append(
                f'the fill at {show_address(span.start)} may as well be chip "{blank[value].chip}", '
                f"which holds nothing but 0x{value:02X}"
            )
    for entry in entries:
        made = entry.made
        if isinstance(made, Atom):
            if made.source.chip and made.data.count(made.data[0]) == made.size:
                notes.append(f'chip "{made.source.chip}" at {show_address(entry.start)}: a fill of '
                             f"0x{made.data[0]:02X} gives the same bytes")  # fmt: skip
            part = made.source.data[made.offset : made.offset + made.size]
            if not lines_are_certain(part, made.then):
                notes.append(f'chip "{made.source.chip}" at {show_address(entry.start)}: other orders of data lines '
                             "give the same bytes")  # fmt: skip
    if len(notes) > MOST_TOLD:
        notes = [*notes[:MOST_TOLD], f"{counted(len(notes) - MOST_TOLD, 'more note')} of these kinds"]
    return notes
