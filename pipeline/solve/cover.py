"""Which of the spans that were found explain a run with the fewest steps, and how neighbours become one piece."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from pipeline.solve.atoms import Atom, Built, Span, operations

MOST_SPANS = 1_500
"""Spans among which the choice is made; of more, the longest."""
MOST_ENDS = 4
"""Starts of other spans before which one may be cut off."""
RUN_COST = 4
"""What a run costs in pieces and changes: a part of a chip that gives the same bytes comes first."""


class Cost(NamedTuple):
    """What an explanation costs, the weightiest first: bytes it leaves open, steps, pieces and changes.

    ``uneven``: parts that do not begin and end at a multiple of 16 bytes of their chip. ``later``: sources by their
    place in the order they were given, so that equals are decided alike everywhere.
    """

    open_bytes: int = 0
    steps: int = 0
    operations: int = 0
    uneven: int = 0
    later: int = 0

    def and_(self, more: Cost) -> Cost:
        """Return the sum."""
        return Cost(*(a + b for a, b in zip(self, more, strict=True)))


def cover(spans: Iterable[Span], size: int, free: bytes, order: Sequence[str]) -> list[Span]:
    """Return spans that follow one another in a run of ``size`` bytes and cost least, cut off where they overlap.

    ``free``: 1 for each byte that needs no step. Shortest path over the places at which spans begin or end.
    """
    rank = {chip: number for number, chip in enumerate(order)}
    chosen = sorted(spans, key=lambda span: (span.start - span.end, span.start))[:MOST_SPANS]
    chosen.sort(key=lambda span: (span.start, -span.end))
    places = sorted({0, size, *(span.start for span in chosen), *(span.end for span in chosen)})
    starts = sorted({span.start for span in chosen})
    number = {place: n for n, place in enumerate(places)}
    best: list[tuple[Cost, int, Span | None] | None] = [None] * len(places)
    best[0] = (Cost(), 0, None)
    active: list[Span] = []
    following = iter(chosen)
    upcoming = next(following, None)
    for n, place in enumerate(places[:-1]):
        while upcoming and upcoming.start <= place:
            active.append(upcoming)
            upcoming = next(following, None)
        active = [span for span in active if span.end > place]
        reached = best[n]
        if reached is None:
            continue
        ahead = places[n + 1]
        gap = ahead - place - free.count(1, place, ahead)
        _reach(best, n + 1, reached[0].and_(Cost(open_bytes=gap)), n, None)
        first = bisect_left(starts, place + 1)
        for span in active:
            ends = (
                {span.end, *starts[first : first + MOST_ENDS]}
                if isinstance(span.made, Atom) and not span.wrong
                else {span.end}
            )
            for end in ends:
                part = _part(span, place, end)
                if part:
                    _reach(best, number[end], reached[0].and_(_cost(part, rank)), n, part)
    path, n = list[Span](), len(places) - 1
    while n:
        entry = best[n]
        if entry is None:  # never: each place is reached from the one before it
            break
        if entry[2]:
            path.append(entry[2])
        n = entry[1]
    return path[::-1]


def _reach(best: list[tuple[Cost, int, Span | None] | None], n: int, cost: Cost, from_: int, span: Span | None) -> None:
    known = best[n]
    if known is None or cost < known[0]:
        best[n] = (cost, from_, span)


def _part(span: Span, start: int, end: int) -> Span | None:
    """Return the part of a span, None where it cannot be cut there."""
    if (start, end) == (span.start, span.end):
        return span
    made = span.made
    if (
        isinstance(made, Built)
        or span.wrong
        or end > span.end
        or (start - span.start) % made.unit
        or (end - start) % made.unit
    ):
        return None
    return Span(start, end, made.trimmed(start - span.start, end - start))


def _cost(span: Span, rank: dict[str, int]) -> Cost:
    made = span.made
    if isinstance(made, Built):
        if made.piece.operation == "fill":
            return Cost(steps=1, operations=RUN_COST)
        uneven = any(map(_is_uneven, made.parts))
        return Cost(open_bytes=span.wrong, steps=1, operations=operations(made.piece), uneven=uneven)
    if not made.source.chip:
        return Cost(steps=1, operations=RUN_COST)
    return Cost(
        open_bytes=span.wrong,
        steps=1,
        operations=1 + len(made.source.then) + len(made.then) + (not made.is_whole),
        uneven=_is_uneven(made),
        later=rank.get(made.source.chip, 0),
    )


def _is_uneven(part: Atom) -> bool:
    return not part.is_whole and (part.offset % 16 or part.size % 16) > 0
