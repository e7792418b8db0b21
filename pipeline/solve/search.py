"""Every span of the finished file that the sources explain, the cheap ways to find one before the dear ones."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from functools import partial

from pipeline.model.manifest import Piece
from pipeline.solve.address import AddressBook
from pipeline.solve.atoms import AtomSource, Built, Span, as_size
from pipeline.solve.banks import BankBook
from pipeline.solve.groups import groups, run
from pipeline.solve.matches import UNITS, LaneMatches, Match, direct, find_matches, kinds, tolerant
from pipeline.solve.planes import FLIPPED, Book
from pipeline.solve.starts import nested, nibbles_and_planes, readdressed, whole_lane

RUN = 16
"""Bytes of one value that count as a fill."""
LANE_BYTES = 48 << 20
"""Bytes of lanes looked through at a time: bounds memory."""
RUNS = re.compile(b"(.)\\1{15,}", re.DOTALL)
PATTERNS = re.compile(b"(.{2,8}?)\\1{7,}", re.DOTALL)
"""Patterns of 2 to 8 bytes that stand there eight times at least."""
SHORTEST_PATTERN_RUN = 64


def find_runs(target: bytes) -> list[Span]:
    """Return the long runs of one value."""
    return [Span(*found.span(), run(target[found.start()], len(found[0]))) for found in RUNS.finditer(target)]


def find_patterns(target: bytes) -> list[Span]:
    """Return the long runs of a pattern of a few bytes, from a multiple of the pattern's size on where that can be."""
    spans = list[Span]()
    for found in PATTERNS.finditer(target):
        pattern, start = found[1], found.start()
        size = len(found[0]) // len(pattern) * len(pattern)
        if size < SHORTEST_PATTERN_RUN or len(set(pattern)) == 1:
            continue
        later = -start % len(pattern)  # a check byte may lie over the first byte of a fill
        if target.startswith(pattern[:later], start + size):
            start, pattern = start + later, pattern[later:] + pattern[:later]
        spans.append(Span(start, start + size, pattern_fill(pattern, size)))
    return spans


def pattern_fill(pattern: bytes, size: int) -> Built:
    """Return a pattern repeated, to a size that is a whole number of it."""
    return Built(Piece(operation="fill", arguments={"fill": pattern.hex(" ").upper(), "size": as_size(size)}), size)


def marked(spans: Iterable[Span], size: int) -> bytes:
    """Return 1 for each byte of ``size`` that lies in one of the spans."""
    free = bytearray(size)
    for span in spans:
        free[span.start : span.end] = b"\1" * (span.end - span.start)
    return bytes(free)


def find_spans(target: bytes, sources: Sequence[AtomSource], free: bytes) -> list[Span]:
    """Return spans of the target, most of them true, some by chance; each gives exactly the bytes it covers."""
    spans: list[Span] = []
    if not sources:
        return spans
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
        spans += groups(target, tolerant(matches, target), chips, partial(whole_lane, last))
        open_ = _open(target, spans, free)
        if open_.count(1) < RUN:
            return spans
        books = lines, addresses = books or (Book(sources), AddressBook(sources))
        spans += nibbles_and_planes(target, lines, chips, open_)
        spans += readdressed(target, addresses, chips, _open(target, spans, free))
    return [*spans, *nested(target, books, BankBook(sources), _open(target, spans, free))] if books else spans


def _open(target: bytes, spans: Iterable[Span], free: bytes) -> bytes:
    """Return 1 for each byte that is neither explained nor in a run."""
    open_ = bytearray(free.translate(FLIPPED))
    for span in spans:
        open_[span.start : span.end] = bytes(span.end - span.start)
    return bytes(open_)


def _direct(matches: Iterable[Match]) -> Iterator[Span]:
    for match in matches:
        yield Span(match.at, match.at + match.atom.size, match.atom, match.wrong)


def _batches(size: int) -> Iterator[list[LaneMatches]]:
    """Yield the lanes of every kind of interleave, at every phase, a few kinds at a time."""
    batch: list[LaneMatches] = []
    for count, unit in kinds():
        if batch and len(batch) and sum(size // lane.lanes for lane in batch) + size * unit > LANE_BYTES:
            yield batch
            batch = []
        batch = [*batch, *(LaneMatches(phase, count, unit) for phase in range(count * unit))]
    yield batch
