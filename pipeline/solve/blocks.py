"""Parts of one chip that follow one another, as blocks of the chip in another order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import accumulate, pairwise
from math import gcd

from pipeline.model.manifest import Piece, Value
from pipeline.solve.atoms import Atom, AtomSource, Built, Changes, Span, as_size, change

MOST_BLOCKS = 256
"""Blocks in one order."""
MOST_MOVED = 1 << 12
"""Blocks of one chip that are put in order, or that exchanged address lines may have moved."""


def in_blocks(spans: Sequence[Span]) -> list[Span]:
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
    first, second = span.made, following.made
    if span.end != following.start:
        return False
    if isinstance(first, Atom) and isinstance(second, Atom):
        return first.source.chip != "" and _same_form(first, second)
    return (
        isinstance(first, Built)
        and isinstance(second, Built)
        and len(first.parts) == len(second.parts) > 0
        and _apart_from_parts(first) == _apart_from_parts(second)
        and all(map(_same_form, first.parts, second.parts))
    )


def _same_form(first: Atom, second: Atom) -> bool:
    return first.source is second.source and str(first.then) == str(second.then)


def _apart_from_parts(made: Built) -> str:
    return str(replace(made.piece, parts=()))


def _is_whole(span: Span) -> bool:
    made = span.made
    return made.is_whole if isinstance(made, Atom) else all(part.is_whole for part in made.parts)


def _as_blocks(run: list[Span]) -> list[Span]:
    if len(run) == 1:
        return run
    if isinstance(run[0].made, Built):
        return _parts_as_blocks(run)
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
    order = _without_repeats(order)
    count, total = whole // size, run[-1].end - run[0].start
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


def _without_repeats(order: tuple[int, ...]) -> tuple[int, ...]:
    for period in range(1, len(order)):
        if len(order) % period == 0 and order[:period] * (len(order) // period) == order:
            return order[:period]
    return order


def _parts_as_blocks(run: list[Span]) -> list[Span]:
    """Put nibbles or planes of the same chips together: exchanged as a whole where all parts are alike, else each."""
    pieces = [span.made for span in run if isinstance(span.made, Built)]
    first = pieces[0]
    columns = list(zip(*(piece.parts for piece in pieces), strict=True))
    lows = [min(atom.offset for atom in column) for column in columns]
    shifts = [[atom.offset - low for atom in column] for column, low in zip(columns, lows, strict=True)]
    wrong = sum(span.wrong for span in run)
    if any(shift != shifts[0] for shift in shifts):
        blocks = [_as_blocks(_one_after_another(_in_sequence(column))) for column in columns]
        if any(len(block) > 1 for block in blocks):
            return run
        parts = tuple(block[0].made.piece for block in blocks)
        piece = replace(first.piece, parts=parts)
    else:
        whole = max(atom.offset + atom.size for atom in columns[0]) - lows[0]
        scale = first.size // first.parts[0].size
        stand_in = AtomSource("whole", bytes(whole * scale))
        moved = _as_blocks(_one_after_another([
            Atom(stand_in, shift * scale, made.size) for shift, made in zip(shifts[0], pieces, strict=True)
        ]))  # fmt: skip
        if len(moved) > 1:
            return run
        parts = tuple(
            replace(column[0], offset=low, size=whole).piece for column, low in zip(columns, lows, strict=True)
        )
        piece = replace(first.piece, parts=parts, then=(*moved[0].made.piece.then, *first.piece.then))
    return [Span(run[0].start, run[-1].end, Built(piece, run[-1].end - run[0].start, first.leaves), wrong)]


def _in_sequence(atoms: Sequence[Atom]) -> Sequence[Atom]:
    """Return one atom in place of those that stand in their chip as they stand here."""
    if any(atom.offset + atom.size != following.offset for atom, following in pairwise(atoms)):
        return atoms
    return [replace(atoms[0], size=sum(atom.size for atom in atoms))]


def _one_after_another(atoms: Sequence[Atom]) -> list[Span]:
    ends = list(accumulate(atom.size for atom in atoms))
    return [Span(end - atom.size, end, atom) for atom, end in zip(atoms, ends, strict=True)]


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
