"""Where bytes are from: a piece as ranges that follow one another without a gap, each with its sources.

The functions say where ranges go when a piece is cut, joined or spread; they never look at a byte. Where it is not
worth telling exactly which byte goes where, they say more sources than needed, never fewer.
"""

from __future__ import annotations

from bisect import bisect_right, insort
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from operator import attrgetter

from pipeline.model.ranges import Range, Ranges, Source

MOST = 1 << 16
"""Ranges one piece may have; where there would be more, all become one."""


def whole(size: int, *sources: Source) -> Ranges:
    """Return a piece of one range, or of none where it has no bytes."""
    return (Range(0, size, sources),) if size else ()


def size_of(ranges: Ranges) -> int:
    """Return how many bytes a piece has."""
    return ranges[-1].end if ranges else 0


def through(ranges: Ranges, words: str) -> Ranges:
    """Return the piece after something was done to all its bytes, each staying where it is."""
    return tuple(replace(part, sources=tuple(_done(part.sources, words))) for part in ranges)


def sources_of(*pieces: Ranges) -> tuple[Source, ...]:
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
    part = []
    for one in ranges[first:]:
        if one.start >= end:
            break
        part.append(Range(max(one.start, start) - start, min(one.end, end) - start, one.sources))
    return tuple(part)


def joined(*pieces: Ranges) -> Ranges:
    """Return pieces one after another."""
    return tuple(_merged(_behind(pieces)))


def repeated(ranges: Ranges, times: int) -> Ranges:
    """Return a piece several times over."""
    if len(ranges) == 1 or len(ranges) * times > MOST:
        return whole(size_of(ranges) * times, *sources_of(ranges))
    return joined(*[ranges] * times)


def scaled(ranges: Ranges, before: int, after: int) -> Ranges:
    """Return a piece where each unit of ``before`` bytes became one of ``after`` bytes.

    Inside a unit every byte may depend on every other.
    """
    moved = [Range(p.start // before * after, -(-p.end // before) * after, p.sources) for p in ranges]
    return tuple(_merged(_swept(moved, _all)))


def together(*layers: Ranges) -> Ranges:
    """Return pieces of one size put into one another, where every byte may depend on all at its place."""
    return tuple(_merged(_swept([part for ranges in layers for part in ranges], _all)))


def placed(ranges: Ranges, pieces: Iterable[tuple[int, Ranges]]) -> Ranges:
    """Return a piece with others put over it, each at its address; the last one wins."""
    moved = [Range(at + part.start, at + part.end, part.sources) for at, piece in pieces for part in piece]
    return tuple(_merged(_swept([*ranges, *moved], _last)))


def limited(ranges: Ranges) -> Ranges:
    """Return the piece, as one range where it has too many."""
    return ranges if len(ranges) <= MOST else mixed(ranges)


def _done(sources: Iterable[Source], words: str) -> Iterator[Source]:
    for source in sources:
        yield replace(source, through=(*source.through, words))


def _behind(pieces: Iterable[Ranges]) -> Iterator[Range]:
    start = 0
    for ranges in pieces:
        for part in ranges:
            yield Range(start + part.start, start + part.end, part.sources)
        start += size_of(ranges)


def _merged(ranges: Iterable[Range]) -> Iterator[Range]:
    """Yield ranges in order, neighbours of equal sources as one."""
    last: Range | None = None
    for part in ranges:
        if last and last.sources == part.sources:
            last = Range(last.start, part.end, last.sources)
            continue
        if last:
            yield last
        last = part
    if last:
        yield last


def _swept(ranges: Sequence[Range], choose: Callable[[Sequence[Range]], tuple[Source, ...]]) -> Iterator[Range]:
    """Yield what ranges in any order come to, between each two edges; ``choose`` is given those that lie there."""
    edges = sorted({edge for part in ranges for edge in (part.start, part.end)})
    coming = sorted(range(len(ranges)), key=lambda number: ranges[number].start, reverse=True)
    here: list[int] = []
    for start, end in pairwise(edges):
        here = [number for number in here if ranges[number].end > start]
        while coming and ranges[coming[-1]].start <= start:
            insort(here, coming.pop())
        yield Range(start, end, choose([ranges[number] for number in here]))


def _all(ranges: Sequence[Range]) -> tuple[Source, ...]:
    return sources_of(tuple(ranges))


def _last(ranges: Sequence[Range]) -> tuple[Source, ...]:
    return ranges[-1].sources
