"""What is placed in the ROM file, in layers, with the bytes that differ as patches."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from pipeline.solve.atoms import Atom, Built, Span, bytes_of, change, fill_byte
from pipeline.solve.check_values import WIDEST
from pipeline.solve.merge import then


@dataclass(slots=True)
class Entry:
    """A piece at an address; ``over``: it replaces what earlier ones placed; ``patches``: bytes that differ there."""

    start: int
    made: Atom | Built
    over: bool = False
    patches: list[tuple[int, int]] = field(default_factory=list)

    @property
    def end(self) -> int:
        """The address behind it."""
        return self.start + self.made.size


def in_layers(entries: list[Entry]) -> list[Entry]:
    """Return the entries with the parts of one chip that others interrupt put together, those on top of them."""
    n, result = 0, list[Entry]()
    while n < len(entries):
        entry, reached = entries[n], n
        last = n
        for m in range(n + 1, len(entries)):
            joined = _continued(entry, entries[m])
            if joined is None:
                continue
            entry, last = joined, m
        inner = [replace(one, over=True) for one in entries[n + 1 : last + 1]
                 if not _is_part(one, entry)]  # fmt: skip
        result += [entry, *inner]
        n = max(last, reached) + 1
    return result


def _same_place(one: Atom, at: int, two: Atom, there: int) -> bool:
    return one.source is two.source and str(one.then) == str(two.then) and two.offset - one.offset == there - at


def _is_part(one: Entry, entry: Entry) -> bool:
    return (
        isinstance(one.made, Atom)
        and isinstance(entry.made, Atom)
        and _same_place(entry.made, entry.start, one.made, one.start)
    )


def _continued(entry: Entry, later: Entry) -> Entry | None:
    """Return the entry drawn out to the end of a later one that goes on with the same chip; None where none does."""
    one, two = entry.made, later.made
    if not (isinstance(one, Atom) and isinstance(two, Atom) and _same_place(one, entry.start, two, later.start)):
        return None
    return Entry(entry.start, replace(one, size=two.offset + two.size - one.offset), entry.over)


def gaps_between(entries: Sequence[Entry], size: int) -> list[tuple[int, int]]:
    """Return the runs that no entry covers."""
    gaps, reached = list[tuple[int, int]](), 0
    for entry in sorted(entries, key=lambda entry: entry.start):
        if entry.start > reached:
            gaps.append((reached, entry.start))
        reached = max(reached, entry.end)
    return [*gaps, (reached, size)] if reached < size else gaps


def note_patches(entries: Sequence[Entry], finished: bytes, chips: Mapping[str, bytes]) -> None:
    """Note in each entry the bytes that differ and that nothing over it replaces; near ones as one run."""
    for n, entry in enumerate(entries):
        data = bytes_of(entry.made.piece, chips)
        if data == finished[entry.start : entry.end]:
            continue
        over = [(one.start, one.end) for one in entries[n + 1 :] if one.over and one.start < entry.end]
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
    finished: bytes, chips: Mapping[str, bytes], entries: Sequence[Entry], filled: Sequence[Span], value: int | None
) -> list[Entry]:
    """Return everything that is placed, in order of address, what lies over others after them."""
    rest = [Entry(span.start, span.made) for span in filled
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
        patched.append(Entry(entry.start, then(entry.made, overlays, entry.made.size), entry.over))
    base = sorted((*rest, *(one for one in patched if not one.over)), key=lambda one: one.start)
    return [*base, *(one for one in patched if one.over)]
