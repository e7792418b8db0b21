"""Where the pieces of a ROM file lie, and the rules they keep."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from operator import itemgetter
from typing import NamedTuple

from pipeline.model.manifest import RomFile
from pipeline.model.units import show_size
from pipeline.roms.operations.arguments import show_address, show_range
from pipeline.roms.report import ProblemReport


class Placed(NamedTuple):
    """A step's piece in the ROM file: from ``start`` up to but not including ``end``, and the step's key.

    ``over``: whether it may replace what earlier steps placed.
    """

    start: int
    end: int
    key: str
    over: bool


def check_places(rom: RomFile, pieces: Sequence[Placed | None], report: ProblemReport) -> None:
    """Report pieces beyond the end, overlaps that no step allows, and holes where the ROM file has no fill.

    Any overlap without ``over = true`` in the later step is a problem, even of equal bytes: whether a manifest is
    right must not depend on what the chips hold. Public tools differ here: some let the later file win.
    Of several pieces on one another, the one on top is named.
    ``pieces`` are in the order of the steps; None stands for one whose size is not known, and then holes are not.
    """
    known = [piece for piece in pieces if piece]
    cover = _Cover()
    for piece in known:
        if piece.start < 0 or piece.end > rom.size:
            found = f"the piece lies at {show_range(piece.start, piece.end)}"
            report.add(f"{piece.key}.at", f"{found}; the ROM file ends with {show_address(rom.size - 1)}")
        covered = cover.put(piece)
        for earlier in () if piece.over else covered:
            ranges = f"{show_range(piece.start, piece.end)} overlaps {show_range(earlier.start, earlier.end)}"
            hint = "move one of them, or write over = true here if this step is to win"
            report.add(f"{piece.key}.at", f"{ranges} of an earlier step", hint, also=(f"{earlier.key}.at",))
    if rom.fill is None and None not in pieces:
        _check_holes(rom, known, report)


class _Cover:
    """The pieces placed so far, as one sees them from above: parts in order of address, none over another.

    Each piece adds two parts at most, and those it covers go, so that many pieces on one another cost no more than
    many side by side.
    """

    def __init__(self) -> None:
        self._starts: list[int] = []
        self._parts: list[tuple[int, int, Placed]] = []

    def put(self, piece: Placed) -> list[Placed]:
        """Put a piece over the others, and return those that it covers, or covers a part of, by address."""
        first = max(bisect_right(self._starts, piece.start) - 1, 0)
        if self._parts and self._parts[first][1] <= piece.start:
            first += 1
        last = bisect_left(self._starts, piece.end)
        covered = self._parts[first:last]
        left = [(start, piece.start, owner) for start, _, owner in covered[:1] if start < piece.start]
        right = [(piece.end, end, owner) for _, end, owner in covered[-1:] if end > piece.end]
        parts = [*left, (piece.start, piece.end, piece), *right]
        self._parts[first:last] = parts
        self._starts[first:last] = [start for start, _, _ in parts]
        return list(dict.fromkeys(owner for _, _, owner in covered))


def put_together(pieces: Sequence[tuple[int, bytes]], size: int, fill: int) -> bytes:
    """Return a ROM file of pieces, each with its address, and of the fill between them; a later one wins."""
    parts, reached = list[bytes](), 0
    for start, piece in sorted(pieces, key=itemgetter(0)):
        if start < reached:
            return _over_one_another(pieces, size, fill)
        parts += [bytes([fill]) * (start - reached), piece]
        reached = start + len(piece)
    return b"".join([*parts, bytes([fill]) * (size - reached)])


def _over_one_another(pieces: Iterable[tuple[int, bytes]], size: int, fill: int) -> bytes:
    data = bytearray([fill]) * size
    for start, piece in pieces:
        data[start : start + len(piece)] = piece
    return bytes(data)


def _check_holes(rom: RomFile, pieces: Iterable[Placed], report: ProblemReport) -> None:
    holes = list(_holes(rom.size, pieces))
    if holes:
        shown = ", ".join(show_range(*hole) for hole in holes[:4]) + (", ..." if len(holes) > 4 else "")
        missing = show_size(sum(end - start for start, end in holes))
        what = f"nothing is placed at {shown} ({missing}); expected every byte, since there is no fill"
        report.add(rom.key, what, "place them, or give the byte of the holes: fill = 0xFF")


def _holes(size: int, pieces: Iterable[Placed]) -> Iterator[tuple[int, int]]:
    reached = 0
    for piece in sorted(pieces):
        if piece.start > reached:
            yield reached, min(piece.start, size)
        reached = max(reached, piece.end)
        if reached >= size:
            return
    yield reached, size
