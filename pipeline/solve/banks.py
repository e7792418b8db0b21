"""Address lines exchanged across several chips of one size: each chip's bytes lie all over a run of the finished file.

The lines of a run are those of a chip and a few more, which select the chip. The chip whose bytes stand where all of
these are low is searched as ``address`` searches one chip; the run with its lines put back then shows the others.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import islice

from pipeline.model.manifest import Change, Piece
from pipeline.roms.operations.wiring import address_lines
from pipeline.solve.address import LEAST, searched_lines, variants, weights
from pipeline.solve.atoms import AtomSource, Built, Changes, change
from pipeline.solve.values import find_changes

SELECT_LINES = (1, 2, 3)
"""Lines that select a chip: 2, 4 or 8 chips."""
MOST_CHIPS = 64
"""Chips of one size that are looked at."""
LARGEST = 1 << 16
"""Bytes of a chip, at most."""
MOST_ORDERS = 8
"""Orders of a chip's lines that are held against the whole run."""


@dataclass(frozen=True, slots=True)
class _Form:
    """A chip in one form: its bytes, their weights, and how often each weight stands on a single line."""

    source: AtomSource
    then: Changes
    data: bytes
    weights: bytes
    singles: Counter[int]


class BankBook:
    """The chips of each size, in the forms in which they are looked for."""

    def __init__(self, sources: Sequence[AtomSource]) -> None:
        self._forms: dict[int, list[_Form]] = {}
        self._by_weights: dict[bytes, _Form] = {}
        for source in sources:
            size = len(source.data)
            if size.bit_count() > 1 or not LEAST <= size <= LARGEST:
                continue
            lines = size.bit_length() - 1
            forms = self._forms.setdefault(lines, [])
            if len(forms) < MOST_CHIPS:
                for then, data in variants(source.data):
                    seen = weights(data)
                    forms.append(_Form(source, then, data, seen, _singles(seen, lines)))
                    self._by_weights.setdefault(seen, forms[-1])

    def at(self, data: bytes) -> Built | None:
        """Return the largest join of chips that begins a run with its address lines exchanged."""
        for lines in sorted({chip + more for chip in self._forms for more in SELECT_LINES}, reverse=True):
            if 1 << lines <= len(data):
                for built in self._runs(data[: 1 << lines], lines):
                    return built
        return None

    def _runs(self, run: bytes, lines: int) -> Iterator[Built]:
        for outer, turned in variants(run):
            seen = weights(turned)
            singles = _singles(seen, lines)
            for chip_lines in (lines - more for more in SELECT_LINES):
                for form in self._forms.get(chip_lines, ()):
                    if form.singles - singles:
                        continue
                    for order in islice(searched_lines(seen, form.weights, lines, chip_lines), MOST_ORDERS):
                        built = self._joined(turned, [*order, *(n for n in range(lines) if n not in order)], chip_lines)
                        if built and (built.size == len(run) or not outer):
                            yield replace(built, piece=_with(built.piece, outer))

    def _joined(self, run: bytes, order: Sequence[int], chip_lines: int) -> Built | None:
        """Return the chips one after another and their lines in an order, where that gives the run."""
        back = tuple(order.index(line) for line in range(len(order)))
        whole = address_lines(run, lines=back)
        size = 1 << chip_lines
        parts, changes = list[tuple[_Form, Changes]](), list[Changes]()
        for start in range(0, len(whole), size):
            data = whole[start : start + size]
            form = self._by_weights.get(weights(data))
            values = find_changes(form.data, data, 1) if form else None
            if form is None or values is None:
                return None
            parts.append((form, values))
            changes.append(values)
        shared = changes[0] if all(str(values) == str(changes[0]) for values in changes) else ()
        pieces = tuple(
            Piece(operation="chip", name=form.source.chip,
                  then=(*form.source.then, *form.then, *(() if shared else values)))
            for form, values in parts
        )  # fmt: skip
        own = order[:chip_lines]
        if len(set(map(str, pieces))) == 1 and max(own) < chip_lines:
            turned = () if list(own) == sorted(own) else (_lines(own),)
            return Built(_with(pieces[0], (*turned, *shared)), size)  # the same chip stands behind it again
        moved = () if tuple(order) == tuple(range(len(order))) else (_lines(order),)
        return Built(Piece(operation="join", parts=pieces, then=(*moved, *shared)), len(run), len(pieces))


def _lines(order: Sequence[int]) -> Change:
    return change("address-lines", tuple(order))


def _with(piece: Piece, changes: Changes) -> Piece:
    return replace(piece, then=(*piece.then, *changes))


def _singles(seen: bytes, lines: int) -> Counter[int]:
    return Counter(seen[1 << line] for line in range(lines))
