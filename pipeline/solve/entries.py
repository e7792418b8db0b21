"""What is placed in the ROM file, in layers, with the bytes that differ as patches."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from pipeline.solve.atoms import Atom, Built, Span, bytes_of, change, fill_byte
from pipeline.solve.check_values import WIDEST
from pipeline.solve.merge import then


@dataclass(slots=True)
class PlacedPiece:
    """A piece at an address; ``over``: it replaces what earlier ones placed; ``patches``: bytes that differ there."""

    start: int
    made: Atom | Built
    over: bool = False
    patches: list[tuple[int, int]] = field(default_factory=list)

    @property
    def end(self) -> int:
        """The address behind it."""
        return self.start + self.made.size


def in_layers(entries: list[PlacedPiece]) -> list[PlacedPiece]:
    """Return the entries with the parts of one chip that others interrupt put together, those on top of them."""
    n, result = 0, list[PlacedPiece]()
    while n < len(entries):
        entry, reached = entries[n], n
        last = n
        for m in range(n + 1, len(entries)):
            joined = _continued(entry, entries[m])
            if joined is None:
                continue
            entry, last = joined, m
        inner = [replace(inner_entry, over=True) for inner_entry in entries[n + 1 : last + 1]
                 if not _is_part(inner_entry, entry)]  # fmt: skip
        result += [entry, *inner]
        n = max(last, reached) + 1
    return result


def _same_place(first: Atom, first_at: int, second: Atom, second_at: int) -> bool:
    return (
        first.source is second.source
        and str(first.then) == str(second.then)
        and second.offset - first.offset == second_at - first_at
    )


def _is_part(inner: PlacedPiece, entry: PlacedPiece) -> bool:
    return (
        isinstance(inner.made, Atom)
        and isinstance(entry.made, Atom)
        and _same_place(entry.made, entry.start, inner.made, inner.start)
    )


def _continued(entry: PlacedPiece, later: PlacedPiece) -> PlacedPiece | None:
    """Return the entry drawn out to the end of a later one that goes on with the same chip; None where none does."""
    first, second = entry.made, later.made
    if not (
        isinstance(first, Atom) and isinstance(second, Atom) and _same_place(first, entry.start, second, later.start)
    ):
        return None
    return PlacedPiece(entry.start, replace(first, size=second.offset + second.size - first.offset), entry.over)


def gaps_between(entries: Sequence[PlacedPiece], size: int) -> list[tuple[int, int]]:
    """Return the runs that no entry covers."""
    gaps, reached = list[tuple[int, int]](), 0
    for entry in sorted(entries, key=lambda entry: entry.start):
        if entry.start > reached:
            gaps.append((reached, entry.start))
        reached = max(reached, entry.end)
    return [*gaps, (reached, size)] if reached < size else gaps


def note_patches(entries: Sequence[PlacedPiece], finished: bytes, chips: Mapping[str, bytes]) -> None:
    """Note in each entry the bytes that differ and that nothing over it replaces; near ones as one run."""
    for n, entry in enumerate(entries):
        data = bytes_of(entry.made.piece, chips)
        if data == finished[entry.start : entry.end]:
            continue
        over = [(later.start, later.end) for later in entries[n + 1 :] if later.over and later.start < entry.end]
        runs_: list[tuple[int, int]] = []
        for at in range(entry.start, entry.end):
            if data[at - entry.start] == finished[at] or any(start <= at < end for start, end in over):
                continue
            if runs_ and at - runs_[-1][1] < WIDEST and not any(runs_[-1][1] <= start < at for start, _ in over):
                runs_[-1] = (runs_[-1][0], at + 1)
            else:
                runs_.append((at, at + 1))
        entry.patches = runs_


def placed(
    finished: bytes,
    chips: Mapping[str, bytes],
    entries: Sequence[PlacedPiece],
    filled: Sequence[Span],
    value: int | None,
) -> list[PlacedPiece]:
    """Return everything that is placed, in order of address, what lies over others after them."""
    rest = [PlacedPiece(span.start, span.made) for span in filled
            if value is None or fill_byte(span) != value]  # fmt: skip
    patched = []
    for entry in entries:
        if not entry.patches:
            patched.append(entry)
            continue
        data = bytes_of(entry.made.piece, chips)
        overlays = tuple(
            change("overlay", {
                "at": a - entry.start,
                "old": data[a - entry.start : b - entry.start].hex(" ").upper(),
                "new": finished[a:b].hex(" ").upper(),
            })
            for a, b in entry.patches
        )  # fmt: skip
        patched.append(PlacedPiece(entry.start, then(entry.made, overlays, entry.made.size), entry.over))
    base = sorted((*rest, *(piece for piece in patched if not piece.over)), key=lambda piece: piece.start)
    return [*base, *(piece for piece in patched if piece.over)]
