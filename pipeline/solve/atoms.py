"""What the search works with: sources of bytes, and runs of the finished file that are explained by them."""

from __future__ import annotations

import operator
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from operator import attrgetter

from pipeline.model.manifest import Change, Piece, Value
from pipeline.model.units import show_size
from pipeline.roms.arrangement import WHOLE
from pipeline.roms.bind import Binder
from pipeline.roms.operations.bits import combine, table
from pipeline.roms.report import ProblemReport
from pipeline.roms.tree import evaluate

POPCOUNT = table(int.bit_count)

Changes = tuple[Change, ...]


@dataclass(frozen=True, slots=True, eq=False)
class AtomSource:
    """A chip's bytes, or one form of them: ``then`` is done to the chip to get ``data``.

    ``chip`` is "" for a run of one value, which needs no chip.
    """

    chip: str
    data: bytes
    then: Changes = ()


@dataclass(frozen=True, slots=True)
class Atom:
    """A run of bytes that is a part of one source, changed: ``size`` bytes from ``offset``, in whole ``unit``s."""

    source: AtomSource
    offset: int
    size: int
    then: Changes = ()
    unit: int = 1

    def trimmed(self, front: int, size: int) -> Atom:
        """Return the part of ``size`` bytes that begins ``front`` bytes after the start."""
        return replace(self, offset=self.offset + front, size=size)

    @property
    def is_whole(self) -> bool:
        """Whether all of the source is used."""
        return self.size == len(self.source.data)

    @property
    def data(self) -> bytes:
        """The bytes it stands for."""
        return changed(self.source.data[self.offset : self.offset + self.size], self.then)

    @property
    def piece(self) -> Piece:
        """The piece that makes these bytes."""
        if not self.source.chip:
            return Piece(operation="fill", arguments={"fill": self.source.data[0], "size": as_size(self.size)})
        take = () if self.is_whole else (change("take", {"from": self.offset, "size": as_size(self.size)}),)
        return Piece(operation="chip", name=self.source.chip, then=(*self.source.then, *take, *self.then))


@dataclass(frozen=True, slots=True)
class Built:
    """A run of bytes that is one piece made of others.

    ``leaves``: how many chips and runs it names. ``head``: bytes at its start that were not looked at. ``parts``: of
    nibbles and bit planes, what their parts are of their chips. ``repeats``: the piece that it mirrors, where that is
    the last thing done.
    """

    piece: Piece
    size: int
    leaves: int = 1
    head: int = 0
    parts: tuple[Atom, ...] = ()
    repeats: Atom | Built | None = None

    def trimmed(self, size: int) -> Built:
        """Return the first bytes of nibbles or planes, a whole number of each part's."""
        parts = tuple(part.trimmed(0, part.size * size // self.size) for part in self.parts)
        return replace(self, piece=replace(self.piece, parts=tuple(part.piece for part in parts)), size=size,
                       parts=parts)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Span:
    """A run of the finished file, from ``start`` up to but not including ``end``, and what explains it.

    ``wrong``: how many of its bytes differ all the same.
    """

    start: int
    end: int
    made: Atom | Built
    wrong: int = 0


def is_run(made: Atom | Built) -> bool:
    """Whether it is a run of one value, which needs no chip."""
    return isinstance(made, Atom) and not made.source.chip


def fill_byte(span: Span) -> int | None:
    """Return the byte of a run, None for anything else."""
    value = span.made.piece.arguments.get("fill")
    return value if isinstance(value, int) else None


def change(operation: str, arguments: Value | Mapping[str, Value] = True) -> Change:
    """Return a change as a manifest has it."""
    return Change(operation=operation, arguments=arguments)


def as_size(size: int) -> Value:
    """Return a size as it is written: "4 KiB" where that is whole, else the number of bytes."""
    return show_size(size) if size % 1024 == 0 else size


def changed(data: bytes, changes: Sequence[Change]) -> bytes:
    """Return the bytes after the changes, done by the operations that build ROM files; b"" where they refuse."""
    if not changes:
        return data
    report = ProblemReport()
    node = Binder(None, report).changes(WHOLE, changes, "")
    return (evaluate(node, {"": data}, attrgetter("apply"), report) if node else None) or b""


def bytes_of(piece: Piece, chips: Mapping[str, bytes]) -> bytes:
    """Return the bytes of a piece; b"" where an operation refuses."""
    report = ProblemReport()
    node = Binder(None, report).piece(piece, "")
    return (evaluate(node, chips, attrgetter("apply"), report) if node else None) or b""


def differing(first: bytes, second: bytes) -> int:
    """Return how many bytes differ in two runs of one size."""
    difference = combine(operator.xor, first, second)
    return len(difference) - difference.count(0)


def operations(piece: Piece) -> int:
    """Return how many pieces and changes a piece is made of."""
    return 1 + len(piece.then) + sum(map(operations, piece.parts))


def common(first: bytes, second: bytes) -> int:
    """Return how many bytes two runs have in common from their start on."""
    size, reached, step = min(len(first), len(second)), 0, 64
    while reached < size:
        end = min(reached + step, size)
        if first[reached:end] != second[reached:end]:
            if end - reached == 1:
                return reached
            step = max((end - reached) // 2, 1)
        else:
            reached, step = end, min(2 * step, 1 << 16)
            if reached < size and first[reached] != second[reached]:
                return reached
    return size
