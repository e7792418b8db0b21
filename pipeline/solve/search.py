"""Every span of the finished file that the sources explain, the cheap ways to find one before the dear ones."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from itertools import product

from pipeline.roms.operations.table import PIECES
from pipeline.solve.address import LEAST, AddressBook
from pipeline.solve.atoms import Atom, AtomSource, Built, Span, bytes_of, differing
from pipeline.solve.cover import then
from pipeline.solve.groups import groups, run
from pipeline.solve.matches import LaneMatches, Match, direct, find_matches, tolerant
from pipeline.solve.planes import FLIPPED, PREFIX, Book
from pipeline.solve.values import SHUFFLES

RUN = 16
"""Bytes of one value that count as a fill."""
UNITS = (1, 2, 4)
"""Bytes of a unit within which lines may have been exchanged."""
LANE_BYTES = 48 << 20
"""Bytes of lanes looked through at a time: bounds memory."""
MOST_PLACES = 4_096
"""Places at which pieces are tried that begin there."""
CLOSE = 129
"""Bytes from the start of a region within which every place is tried."""
MOST_ADDRESS_PLACES = 512
"""Likewise for exchanged address lines, each of which is tried with every chip."""
RUNS = re.compile(b"(.)\\1{15,}", re.DOTALL)


def find_runs(target: bytes) -> list[Span]:
    """Return the long runs of one value."""
    return [Span(*found.span(), run(target[found.start()], len(found[0]))) for found in RUNS.finditer(target)]


def marked(spans: Iterable[Span], size: int) -> bytes:
    """Return 1 for each byte of ``size`` that lies in one of the spans."""
    free = bytearray(size)
    for span in spans:
        free[span.start : span.end] = b"\1" * (span.end - span.start)
    return bytes(free)


def find_spans(target: bytes, sources: Sequence[AtomSource], free: bytes) -> list[Span]:
    """Return spans of the target, most of them true, some by chance; each gives exactly the bytes it covers."""
    spans: list[Span] = []
    for unit in UNITS:
        open_ = _open(target, spans, free)
        if 1 not in open_:
            return spans
        spans += _direct(tolerant(find_matches(target, direct(), sources, unit, open_), target))
    matches: list[Match] = []
    chips = {source.chip: source.data for source in sources}
    books: tuple[Book, AddressBook] | None = None
    for unit in UNITS:
        open_ = _open(target, spans, free)
        if open_.count(1) < RUN:
            return spans
        for lanes in _batches(len(target)):
            matches += find_matches(target, lanes, sources, unit, open_)
        last = books if unit == UNITS[-1] else None
        spans += groups(target, tolerant(matches, target), chips, partial(_lane, last))
        open_ = _open(target, spans, free)
        if open_.count(1) < RUN:
            return spans
        books = lines, addresses = books or (Book(sources), AddressBook(sources))
        spans += _planes(target, lines, chips, open_)
        spans += _address(target, addresses, chips, _open(target, spans, free))
    return spans


def _open(target: bytes, spans: Iterable[Span], free: bytes) -> bytes:
    """Return 1 for each byte that is neither explained nor in a run."""
    open_ = bytearray(free.translate(FLIPPED))
    for span in spans:
        open_[span.start : span.end] = bytes(span.end - span.start)
    return bytes(open_)


def _direct(matches: Iterable[Match]) -> Iterator[Span]:
    for match in matches:
        yield Span(match.at, match.at + match.atom.size, match.atom, match.wrong)


def kinds() -> list[tuple[int, int]]:
    """Return every number of lanes and width of their units that the steps of a manifest can interleave."""
    operation = PIECES["interleave"]
    units = []
    for unit in UNITS:
        try:
            operation.arguments["unit"].parse(unit)
        except ValueError:
            continue
        units.append(unit)
    return [(count, unit) for count, unit in product(sorted(operation.parts), units)]


def _batches(size: int) -> Iterator[list[LaneMatches]]:
    """Yield the lanes of every kind of interleave, at every phase, a few kinds at a time."""
    batch: list[LaneMatches] = []
    for count, unit in kinds():
        if batch and len(batch) and sum(size // lane.lanes for lane in batch) + size * unit > LANE_BYTES:
            yield batch
            batch = []
        batch = [*batch, *(LaneMatches(phase, count, unit) for phase in range(count * unit))]
    yield batch


def _regions(open_: bytes, least: int) -> list[tuple[int, int]]:
    """Return the runs of open bytes; those with but a few explained ones between them are one."""
    regions: list[tuple[int, int]] = []
    for found in re.finditer(b"\1+", open_):
        if regions and found.start() - regions[-1][1] < 64:
            regions[-1] = (regions[-1][0], found.end())
        else:
            regions.append((found.start(), found.end()))
    return [(start, end) for start, end in regions if end - start >= least]


def _places(start: int, end: int, step: int) -> Iterator[int]:
    """Yield where a piece may begin in a region: at its start or just before it, then at round addresses."""
    yield start
    yield from (place for place in (start - 1, start - 2, start // 16 * 16, start // 256 * 256) if place >= 0)
    yield from range(start + 1, min(start + CLOSE, end))
    yield from range(start // step * step + step, end, step)


def _planes(target: bytes, book: Book, chips: Mapping[str, bytes], open_: bytes) -> list[Span]:
    found, tried = list[Span](), 0
    for start, end in _regions(open_, 32):
        reached = 0
        queue = list(_places(start, end, 16))[::-1]
        while queue and tried < MOST_PLACES:
            place = queue.pop()
            if place < reached or place >= end:
                continue
            tried += 1
            built = _lines(book, target[place : place + book.longest])
            if built:
                place -= built.head if built.head <= place else 0
                made = bytes_of(built.piece, chips)
                wrong = differing(made, target[place : place + len(made)])
                found.append(Span(place, place + len(made), replace(built, size=len(made)), wrong))
                reached = place + len(made)
                queue.append(reached)
    return found


def _lines(book: Book, data: bytes) -> Built | None:
    """Return the nibbles or planes that begin a run, as they are or with bytes exchanged."""
    built = next(book.at(data), None)
    if built:
        return built
    head = data[:PREFIX]
    for changes, apply in (*SHUFFLES[2][1:], *SHUFFLES[4][1:3]):
        if len(head) == PREFIX and book.begins(apply(head)):
            for built in book.at(apply(data[: len(data) // 4 * 4])):
                if built.size % 4 == 0:
                    return replace(then(built, changes, built.size), head=built.head)
    return None


def _address(target: bytes, book: AddressBook, chips: Mapping[str, bytes], open_: bytes) -> list[Span]:
    found, tried = list[Span](), 0
    sizes = {len(data) for data in chips.values()}
    longest = max(sizes, default=0)
    for start, end in _regions(open_, LEAST):
        reached = 0
        queue = list(_places(start, end, 256))
        queue[5:5] = sorted({end - size for size in sizes if end - size > start})
        while queue and tried < MOST_ADDRESS_PLACES:
            place = queue.pop(0)
            if place < reached or place >= end:
                continue
            tried += 1
            built = book.at(target[place : place + longest], at_start=place < 16, rest=len(target) - place)
            if built:
                wrong = differing(bytes_of(built.piece, chips), target[place : place + built.size])
                found.append(Span(place, place + built.size, built, wrong))
                reached = place + built.size
                queue.insert(0, reached)
    return found


def _lane(books: tuple[Book, AddressBook] | None, data: bytes) -> Atom | Built | None:
    """Return what a whole lane is made of that was not found in it: address lines exchanged, nibbles, planes.

    Without books nothing, since the lane may yet be found in units of more bytes.
    """
    if books is None:
        return None
    lines, addresses = books
    built = addresses.at(data) or _lines(lines, data)
    return built if built and built.size == len(data) and not built.head else None
