"""Neighbouring pieces as one: blocks of a chip in another order, repeats, joins, interleaves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from pipeline.model.manifest import Piece
from pipeline.solve.atoms import Atom, Built, Changes, Span, as_size, change
from pipeline.solve.blocks import in_blocks
from pipeline.solve.values import is_plain

LONGEST_PERIOD = 16
"""Pieces that are repeated together."""


def merged(spans: Sequence[Span]) -> list[Span]:
    """Return the spans with neighbours put together: blocks of one chip in another order, then repeats."""
    return _repeats(in_blocks(spans))


def _key(made: Atom | Built) -> object:
    if isinstance(made, Atom):
        return (made.source.chip, len(made.source.then), made.offset, made.size, str(made.then))
    return str(made.piece)


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
            built = replace(then(made, (change("mirror", as_size(size)),), size), repeats=made)
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
    return Built(replace(made.piece, then=(*made.piece.then, *changes)), size, leaves(made))


def _before_mirror(lanes: Sequence[Atom | Built], unit: int) -> list[Atom | Built]:
    """Return the lanes without the mirror that each ends with; [] where they do not all repeat the same size."""
    before = [made.repeats for made in lanes if isinstance(made, Built) and made.repeats]
    sizes = {made.size for made in before}
    if len(before) < len(lanes) or len(sizes) > 1 or min(sizes) % unit:
        return []
    return before


def interleaved(lanes: Sequence[Atom | Built], unit: int) -> Built:
    """Return the interleave of pieces; what is done to all of them alike, byte for byte, is done to the whole."""
    size = sum(lane.size for lane in lanes)
    mirrored = _before_mirror(lanes, unit)
    if mirrored:
        return then(interleaved(mirrored, unit), (change("mirror", as_size(size)),), size)
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
