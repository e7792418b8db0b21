"""Where bytes are from: a piece as ranges that follow one another without a gap, each with its sources.

The functions say where ranges go when a piece is cut, joined or spread; they never look at a byte. Where it is not
worth telling exactly which byte goes where, they say more sources than needed, never fewer.
"""

from __future__ import annotations

from bisect import bisect_right, insort
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import islice, pairwise
from operator import attrgetter

from pipeline.model.ranges import Lanes, Range, Ranges, RangeSource

MOST = 1 << 16
"""Ranges one piece may have; where there would be more, all become one."""
SCATTERED = 256
"""Ranges that permuted address lines may give; more would tell nobody anything."""


def whole(size: int, *sources: RangeSource) -> Ranges:
    """Return a piece of one range, or of none where it has no bytes."""
    return (Range(0, size, sources),) if size else ()


def size_of(ranges: Ranges) -> int:
    """Return how many bytes a piece has."""
    return ranges[-1].end if ranges else 0


def through(ranges: Ranges, words: str) -> Ranges:
    """Return the piece after something was done to all its bytes, each staying where it is."""
    return tuple(
        Range(part.start, part.end, _done(part.sources, words), part.lanes and _each_lane(part.lanes, words))
        for part in ranges
    )


def sources_of(*pieces: Ranges) -> tuple[RangeSource, ...]:
    """Return the sources of all pieces, each once, in order."""
    return tuple(dict.fromkeys(source for ranges in pieces for part in ranges for source in part.sources))


def mixed(*pieces: Ranges) -> Ranges:
    """Return a piece as large as the first, whose every byte may depend on every source of all pieces."""
    return whole(size_of(pieces[0]), *sources_of(*pieces))


def cut(ranges: Ranges, start: int, end: int) -> Ranges:
    """Return the part of a piece from ``start`` up to ``end``, beginning at 0."""
    if start >= end:
        return ()
    first = max(bisect_right(ranges, start, key=attrgetter("start")) - 1, 0)
    parts = []
    for part in ranges[first:]:
        if part.start >= end:
            break
        parts.append(_moved(_part(part, max(part.start, start), min(part.end, end)), -start))
    return tuple(parts)


def joined(*pieces: Ranges) -> Ranges:
    """Return pieces one after another."""
    return tuple(_merged(_behind(pieces)))


def repeated(ranges: Ranges, times: int) -> Ranges:
    """Return a piece several times over."""
    if uniform(ranges, size_of(ranges)):
        return stretched(ranges, size_of(ranges) * times)
    if len(ranges) * times > MOST:
        return whole(size_of(ranges) * times, *sources_of(ranges))
    return joined(*[ranges] * times)


def scaled(ranges: Ranges, before: int, after: int) -> Ranges:
    """Return a piece where each unit of ``before`` bytes became one of ``after`` bytes.

    Inside a unit every byte may depend on every other.
    """
    moved = [
        Range(part.start // before * after, -(-part.end // before) * after, part.sources, _scaled(part, before, after))
        for part in ranges
    ]
    return tuple(_merged(_swept(moved, _all)))


def backwards(ranges: Ranges) -> Ranges:
    """Return a piece whose bytes are in reverse order; inside a range every byte may depend on all its sources."""
    size = size_of(ranges)
    return tuple(Range(size - part.end, size - part.start, part.sources) for part in reversed(ranges))


def uniform(ranges: Ranges, block: int) -> bool:
    """Whether a piece is one range in which every block of a size has the same sources, byte for byte."""
    return len(ranges) == 1 and not (ranges[0].lanes and block % ranges[0].lanes.period)


def stretched(ranges: Ranges, size: int) -> Ranges:
    """Return a piece of one range with another size."""
    return (Range(0, size, ranges[0].sources, ranges[0].lanes),)


def interleaved(*pieces: Ranges, unit: int) -> Ranges:
    """Return pieces of one size whose units take turns."""

    def lanes(parts: Sequence[Range], start: int, end: int) -> Range:
        return Range(start, end, sources_of(tuple(parts)), Lanes(unit, tuple(part.sources for part in parts)))

    moved = [part for ranges in pieces for part in scaled(ranges, unit, unit * len(pieces))]
    return tuple(_merged(_swept(moved, lanes)))


def lane_of(ranges: Ranges, number: int, of: int, unit: int) -> Ranges:
    """Return one of ``of`` lanes of a piece; where it is one that was interleaved, with the sources of that alone."""
    first, period = number * unit, of * unit

    def before(address: int) -> int:
        return address // period * unit + min(max(address % period - first, 0), unit)

    parts = (Range(before(part.start), before(part.end), _of_lane(part, first, period, unit)) for part in ranges)
    return tuple(_merged(part for part in parts if part.start < part.end))


def permuted(ranges: Ranges, lines: Sequence[int]) -> Ranges:
    """Return a piece of 2**n bytes whose address lines are permuted: line k of the old address is lines[k] of the new.

    Where that scatters the sources over more than SCATTERED ranges, every byte may depend on every source.
    """
    parts = list(islice(_merged(_permuted(ranges, lines)), SCATTERED + 1))
    return tuple(parts) if parts[-1].end == size_of(ranges) else mixed(ranges)


def together(*layers: Ranges) -> Ranges:
    """Return pieces of one size put into one another, where every byte may depend on all at its place."""
    return tuple(_merged(_swept([part for ranges in layers for part in ranges], _all)))


def placed(ranges: Ranges, pieces: Iterable[tuple[int, Ranges]]) -> Ranges:
    """Return a piece with others put over it, each at its address; the last one wins."""
    moved = [_moved(part, at) for at, piece in pieces for part in piece]
    return tuple(_merged(_swept([*ranges, *moved], _last)))


def limited(ranges: Ranges) -> Ranges:
    """Return the piece, as one range where it has too many."""
    return ranges if len(ranges) <= MOST else mixed(ranges)


def _done(sources: Iterable[RangeSource], words: str) -> tuple[RangeSource, ...]:
    return tuple(replace(source, through=(*source.through, words)) for source in sources)


def _each_lane(lanes: Lanes, words: str) -> Lanes:
    return Lanes(lanes.unit, tuple(_done(sources, words) for sources in lanes.sources))


def _part(part: Range, start: int, end: int) -> Range:
    """Return the bytes of a range from ``start`` up to ``end``, both inside it."""
    return Range(start, end, part.sources, _from(part, start))


def _from(part: Range, start: int) -> Lanes | None:
    """Return the lanes of a range as they take turns from an address on; None where that is inside a unit."""
    turns, inside = divmod(start - part.start, part.lanes.unit) if part.lanes else (0, 1)
    if inside or part.lanes is None:
        return None
    first = turns % len(part.lanes.sources)
    return Lanes(part.lanes.unit, part.lanes.sources[first:] + part.lanes.sources[:first])


def _moved(part: Range, by: int) -> Range:
    return Range(part.start + by, part.end + by, part.sources, part.lanes)


def _scaled(part: Range, before: int, after: int) -> Lanes | None:
    """Return the lanes of a range when units of ``before`` bytes become ``after``; None where units share a lane's."""
    if part.lanes is None or part.start % before or part.lanes.unit % before:
        return None
    return Lanes(part.lanes.unit // before * after, part.lanes.sources)


def _of_lane(part: Range, first: int, period: int, unit: int) -> tuple[RangeSource, ...]:
    """Return the sources of those bytes of a range that lie in units at ``first`` of each period."""
    lanes = _from(part, -(-part.start // period) * period)
    if lanes is None or period % lanes.period or first % lanes.unit + unit > lanes.unit:
        return part.sources
    return lanes.sources[first % lanes.period // lanes.unit]


def _permuted(ranges: Ranges, lines: Sequence[int]) -> Iterator[Range]:
    """Yield the ranges in order of the new address: halves of halves, until all bytes of one are from one old range."""
    old_lines = [lines.index(line) for line in range(len(lines))]
    blocks = [(0, 0, len(lines))]
    while blocks:
        start, lowest, count = blocks.pop()
        highest = lowest | sum(1 << line for line in old_lines[:count])
        part = ranges[bisect_right(ranges, lowest, key=attrgetter("start")) - 1]
        if highest < part.end:
            yield Range(start, start + (1 << count), part.sources)
        else:
            half = count - 1
            blocks += [(start + (1 << half), lowest | 1 << old_lines[half], half), (start, lowest, half)]


def _behind(pieces: Iterable[Ranges]) -> Iterator[Range]:
    start = 0
    for ranges in pieces:
        for part in ranges:
            yield _moved(part, start)
        start += size_of(ranges)


def _merged(ranges: Iterable[Range]) -> Iterator[Range]:
    """Yield ranges in order, neighbours of equal sources as one."""
    last: Range | None = None
    for part in ranges:
        if last and last.sources == part.sources:
            lanes = last.lanes if part.lanes and _from(last, part.start) == part.lanes else None
            last = Range(last.start, part.end, last.sources, lanes)
            continue
        if last:
            yield last
        last = part
    if last:
        yield last


def _swept(ranges: Sequence[Range], choose: Callable[[Sequence[Range], int, int], Range]) -> Iterator[Range]:
    """Yield what ranges in any order come to, between each two edges.

    ``choose`` is given those that lie there, and the edges.
    """
    edges = sorted({edge for part in ranges for edge in (part.start, part.end)})
    coming = sorted(range(len(ranges)), key=lambda number: ranges[number].start, reverse=True)
    here: list[int] = []
    for start, end in pairwise(edges):
        here = [number for number in here if ranges[number].end > start]
        while coming and ranges[coming[-1]].start <= start:
            insort(here, coming.pop())
        yield choose([ranges[number] for number in here], start, end)


def _all(ranges: Sequence[Range], start: int, end: int) -> Range:
    if len(ranges) == 1:
        return _part(ranges[0], start, end)
    return Range(start, end, sources_of(tuple(ranges)))


def _last(ranges: Sequence[Range], start: int, end: int) -> Range:
    return _part(ranges[-1], start, end)
