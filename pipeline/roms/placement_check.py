"""Where the pieces of a ROM file lie, and the rules they keep."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from operator import itemgetter
from typing import NamedTuple

from pipeline.model.manifest import RomFile
from pipeline.model.units import show_size
from pipeline.roms.operations.arguments import show_address
from pipeline.roms.report import Report


class Placed(NamedTuple):
    """A step's piece in the ROM file: from ``start`` up to but not including ``end``, and the step's key.

    ``over``: whether it may replace what earlier steps placed.
    """

    start: int
    end: int
    key: str
    over: bool


def check_places(rom: RomFile, pieces: Sequence[Placed | None], report: Report) -> None:
    """Report pieces beyond the end, overlaps that no step allows, and holes where the ROM file has no fill.

    Any overlap without ``over = true`` in the later step is a problem, even of equal bytes: whether a manifest is
    right must not depend on what the chips hold. Public tools differ here: some let the later file win.
    ``pieces`` are in the order of the steps; None stands for one whose size is not known, and then holes are not.
    """
    earlier: list[Placed] = []
    for piece in pieces:
        if piece is None:
            continue
        if piece.start < 0 or piece.end > rom.size:
            found = f"the piece lies at {_span(piece.start, piece.end)}"
            report.add(f"{piece.key}.at", f"{found}; the ROM file ends with {show_address(rom.size - 1)}")
        for other in () if piece.over else earlier:
            if piece.start < other.end and other.start < piece.end:
                both = f"{_span(piece.start, piece.end)} overlaps {_span(other.start, other.end)} of an earlier step"
                hint = "move one of them, or write over = true here if this step is to win"
                report.add(f"{piece.key}.at", both, hint, also=(f"{other.key}.at",))
        earlier.append(piece)
    if rom.fill is None and None not in pieces:
        _check_holes(rom, earlier, report)


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


def _check_holes(rom: RomFile, pieces: Iterable[Placed], report: Report) -> None:
    holes = list(_holes(rom.size, pieces))
    if holes:
        shown = ", ".join(_span(*hole) for hole in holes[:4]) + (", ..." if len(holes) > 4 else "")
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


def _span(start: int, end: int) -> str:
    """Return a range by its first and last address."""
    return f"{show_address(start)} to {show_address(end - 1)}"
