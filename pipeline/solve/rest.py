"""What the chips leave open, as check fields, fills, patterns and literal bytes."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from pipeline.model.manifest import Piece
from pipeline.solve.atoms import Atom, Built, Span
from pipeline.solve.check_values import WIDEST, CheckField, check_fields, fields_within
from pipeline.solve.entries import PlacedPiece, note_patches
from pipeline.solve.groups import run
from pipeline.solve.looks import period
from pipeline.solve.search import PATTERNS, RUNS, pattern_fill

LONGEST_LITERAL = 512
"""Bytes of a header or trailer that are written down as they are (common practice: headers of up to 512 bytes)."""
MOST_LITERALS = 16
SHORTEST_PATTERN = 16
"""Bytes of a repeated pattern that counts as a fill."""
REPEATS = re.compile(RUNS.pattern + b"|" + PATTERNS.pattern.replace(b"\\1", b"\\2"), re.DOTALL)


def find_fields(
    finished: bytes, chips: Mapping[str, bytes], entries: Sequence[PlacedPiece], gaps: Sequence[tuple[int, int]]
) -> tuple[list[CheckField], list[tuple[int, int]]]:
    """Return the check fields that explain gaps and patches, in an order in which each finds its range finished.

    Returns also the gaps that remain; explained patches are taken from their entries.
    """
    note_patches(entries, finished, chips)
    borders = sorted({border for entry in entries for border in (entry.start, entry.end)})
    found: list[CheckField] = []
    parts = [part for gap in gaps for part in _split(finished, *gap)]
    for part in parts:
        check = None if RUNS.fullmatch(finished, *part) else _field(finished, part, borders)
        if check:
            found.append(check)
    for entry in entries:
        for patch in list(entry.patches):
            check = _field(finished, patch, borders) if patch[1] - patch[0] <= WIDEST else None
            if check:
                found.append(check)
                entry.patches.remove(patch)
    ordered = _ordered(found)
    if ordered is None:
        note_patches(entries, finished, chips)
        return [], parts
    return ordered, _without(parts, ordered)


def _without(parts: Sequence[tuple[int, int]], fields: Sequence[CheckField]) -> list[tuple[int, int]]:
    """Return what is left of runs where fields lie in them."""
    left = list(parts)
    for check in fields:
        cut = [((start, min(end, check.start)), (max(start, check.end), end)) for start, end in left]
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
            check for check in left
            if not any(later is not check and later.start < check.last and check.first < later.end for later in left)
        ]  # fmt: skip
        if not ready:
            return None
        done += ready
        left = [check for check in left if check not in ready]
    return done


def as_fills_and_literals(finished: bytes, gaps: Sequence[tuple[int, int]]) -> tuple[list[Span], list[tuple[int, int]]]:
    """Return gaps as runs, patterns and literal bytes, and those that stay open."""
    filled, open_ = list[Span](), list[tuple[int, int]]()
    literal_bytes = literals = 0
    for start, end in gaps:
        for a, b in _split(finished, start, end):
            data = finished[a:b]
            length = period(data)
            made: Atom | Built
            if length == 1:
                made = run(data[0], b - a)
            elif length and b - a >= max(SHORTEST_PATTERN, 4 * length):
                size = (b - a) // length * length
                made = pattern_fill(data[:length], size)
                if size < b - a:
                    filled.append(Span(a + size, b, literal(data[size:])))
                filled.append(Span(a, a + size, made))
                continue
            elif (
                b - a <= LONGEST_LITERAL
                and literal_bytes + b - a <= max(len(finished) // 4, 4)
                and literals < MOST_LITERALS
            ):
                literal_bytes, literals = literal_bytes + b - a, literals + 1
                made = literal(data)
            else:
                open_.append((a, b))
                continue
            filled.append(Span(a, b, made))
    return sorted(filled, key=lambda span: span.start), open_


def _split(finished: bytes, start: int, end: int) -> list[tuple[int, int]]:
    """Return a gap cut where long runs of one value and of a short pattern begin and end."""
    parts, reached = [], start
    for found in REPEATS.finditer(finished, start, end):
        parts += [(reached, found.start()), found.span()]
        reached = found.end()
    return [(a, b) for a, b in [*parts, (reached, end)] if a < b]


def literal(data: bytes) -> Built:
    """Return bytes as they are written down."""
    return Built(Piece(operation="bytes", arguments={"bytes": data.hex(" ").upper()}), len(data))
