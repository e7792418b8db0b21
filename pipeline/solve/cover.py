"""Which of the spans that were found explain a run with the fewest steps, and how neighbours become one piece."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from itertools import pairwise
from math import gcd
from typing import NamedTuple

from pipeline.model.manifest import Piece, Value
from pipeline.solve.atoms import Atom, Built, Changes, Span, as_size, change, operations
from pipeline.solve.values import is_plain

MOST_SPANS = 1_500
"""Spans among which the choice is made; of more, the longest."""
MOST_ENDS = 4
"""Starts of other spans before which one may be cut off."""
MOST_BLOCKS = 256
"""Blocks in one order."""
RUN_COST = 4
"""What a run costs in pieces and changes: a part of a chip that gives the same bytes comes first."""
MOST_MOVED = 1 << 12
"""Blocks of one chip that are put in order, or that exchanged address lines may have moved."""
LONGEST_PERIOD = 16
"""Pieces that are repeated together."""


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
        return Cost(open_bytes=span.wrong, steps=1, operations=operations(made.piece))
    if not made.source.chip:
        return Cost(steps=1, operations=RUN_COST)
    return Cost(
        open_bytes=span.wrong,
        steps=1,
        operations=1 + len(made.source.then) + len(made.then) + (not made.is_whole),
        uneven=not made.is_whole and (made.offset % 16 or made.size % 16) > 0,
        later=rank.get(made.source.chip, 0),
    )


def merged(spans: Sequence[Span]) -> list[Span]:
    """Return the spans with neighbours put together: blocks of one chip in another order, then repeats."""
    return _repeats(_blocks(spans))


def _key(made: Atom | Built) -> object:
    if isinstance(made, Atom):
        return (made.source.chip, len(made.source.then), made.offset, made.size, str(made.then))
    return str(made.piece)


def _blocks(spans: Sequence[Span]) -> list[Span]:
    """Put parts of one chip, all changed alike, together as blocks in another order, where that names it once."""
    result, n = list[Span](), 0
    while n < len(spans):
        run = [spans[n]]
        while n + len(run) < len(spans) and _may_follow(run[-1], spans[n + len(run)]):
            run.append(spans[n + len(run)])
        result += run if all(_is_whole(span) for span in run) else _as_blocks(run)
        n += len(run)
    return result


def _may_follow(span: Span, following: Span) -> bool:
    one, two = span.made, following.made
    return (
        isinstance(one, Atom)
        and isinstance(two, Atom)
        and span.end == following.start
        and one.source is two.source
        and one.source.chip != ""
        and str(one.then) == str(two.then)
    )


def _is_whole(span: Span) -> bool:
    return isinstance(span.made, Built) or span.made.is_whole


def _as_blocks(run: list[Span]) -> list[Span]:
    if len(run) == 1:
        return run
    atoms = [span.made for span in run if isinstance(span.made, Atom)]
    source, unit, changes = atoms[0].source, atoms[0].unit, atoms[0].then
    low = min(atom.offset for atom in atoms)
    whole = max(atom.offset + atom.size for atom in atoms) - low
    take: Changes = (change("take", {"from": low, "size": as_size(whole)}),)
    if sum(atom.size for atom in atoms) < whole or whole == len(source.data):
        low, whole, take = 0, len(source.data), ()
    size = gcd(*(value for atom in atoms for value in (atom.offset - low, atom.size)), whole)
    if whole // size > MOST_MOVED:
        return run
    order = tuple(
        n for atom in atoms for n in range((atom.offset - low) // size, (atom.offset - low + atom.size) // size)
    )
    count, total = whole // size, run[-1].end - run[0].start
    for period in range(1, len(order)):
        if len(order) % period == 0 and order[:period] * (len(order) // period) == order:
            order = order[:period]
            break
    mirror = (change("mirror", as_size(total)),) if len(order) * size < total else ()
    lines = _address_lines(order, size) if len(order) == count > 4 else None
    if lines:
        moved = change("address-lines", lines)
    elif size % unit or len(order) > MOST_BLOCKS or size < 2:
        return run
    else:
        arguments: dict[str, Value] = {"size": as_size(size), "order": order}
        if len(set(order)) < count:
            arguments["may-omit"] = True
        if len(set(order)) < len(order):
            arguments["may-repeat"] = True
        moved = change("blocks", arguments)
    piece = Piece(operation="chip", name=source.chip, then=(*source.then, *take, moved, *changes, *mirror))
    return [Span(run[0].start, run[-1].end, Built(piece, total), sum(span.wrong for span in run))]


def _address_lines(order: Sequence[int], size: int) -> tuple[int, ...] | None:
    """Return the address lines that bring blocks of a power of two into an order; None where none do."""
    low, lines = size.bit_length() - 1, len(order).bit_length() - 1
    if size != 1 << low or len(order) != 1 << lines:
        return None
    moved = [order[1 << k] for k in range(lines)]
    if sorted(moved) != [1 << k for k in range(lines)]:
        return None
    if any(order[n] != sum(moved[k] for k in range(lines) if n >> k & 1) for n in range(len(order))):
        return None
    return (*range(low), *(low + moved.index(1 << k) for k in range(lines)))


def _repeats(spans: Sequence[Span]) -> list[Span]:
    """Put a piece, or a few, that stand there several times in a row together as one that is mirrored."""
    keys = [_key(span.made) for span in spans]
    result, n = list[Span](), 0
    while n < len(spans):
        length, times = _period(spans, keys, n)
        run = spans[n : n + length]
        if times > 1:
            size = (run[-1].end - run[0].start) * times
            made = joined([span.made for span in run])
            built = then(made, (change("mirror", as_size(size)),), size)
            wrong = sum(span.wrong for span in spans[n : n + length * times])
            result.append(Span(run[0].start, run[0].start + size, built, wrong))
        else:
            result += run
        n += length * times
    return result


def _period(spans: Sequence[Span], keys: Sequence[object], n: int) -> tuple[int, int]:
    """Return how many pieces from the n-th on are repeated, and how often they stand there."""
    best = (1, 1)
    for length in range(1, LONGEST_PERIOD + 1):
        times = 1
        while (
            keys[n : n + length] == keys[n + times * length : n + (times + 1) * length]
            and len(keys) >= n + (times + 1) * length
        ):
            times += 1
        end = n + length * times
        adjacent = all(a.end == b.start for a, b in pairwise(spans[n:end]))
        if times > 1 and adjacent and length * (times - 1) > best[0] * (best[1] - 1):
            best = (length, times)
    return best


def joined(parts: Sequence[Atom | Built]) -> Atom | Built:
    """Return one piece of several that follow one another."""
    if len(parts) == 1:
        return parts[0]
    pieces = tuple(part.piece for part in parts)
    return Built(Piece(operation="join", parts=pieces), sum(part.size for part in parts), sum(map(leaves, parts)))


def leaves(made: Atom | Built) -> int:
    """Return how many chips and runs a piece names."""
    return made.leaves if isinstance(made, Built) else 1


def then(made: Atom | Built, changes: Changes, size: int) -> Built:
    """Return a piece with more done to it, after which it has ``size`` bytes."""
    piece = made.piece
    more = Piece(
        operation=piece.operation,
        arguments=piece.arguments,
        parts=piece.parts,
        name=piece.name,
        then=(*piece.then, *changes),
    )
    return Built(more, size, leaves(made))


def interleaved(lanes: Sequence[Atom | Built], unit: int) -> Built:
    """Return the interleave of pieces; what is done to all of them alike, byte for byte, is done to the whole."""
    size = sum(lane.size for lane in lanes)
    shared = lanes[0].then if isinstance(lanes[0], Atom) else ()
    if (
        not shared
        or not is_plain(shared)
        or any(not isinstance(lane, Atom) or str(lane.then) != str(shared) for lane in lanes)
    ):
        shared = ()
    parts = [Atom(lane.source, lane.offset, lane.size) if shared and isinstance(lane, Atom) else lane for lane in lanes]
    arguments = {"unit": unit} if unit > 1 else {}
    piece = Piece(operation="interleave", arguments=arguments, parts=tuple(part.piece for part in parts), then=shared)
    return Built(piece, size, sum(map(leaves, lanes)))
