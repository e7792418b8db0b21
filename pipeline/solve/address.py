"""Which exchange of address lines, with which change of values, turns a chip's bytes into others.

No exchange of address lines moves the first and the last byte, and it moves the bytes whose address has one line set
among themselves: that rules nearly every place out. The lines are then found from the lowest on, each by the
addresses that it and those below it reach; weights of differences stand for the bytes, since they are left as they
are by whatever was done to the data lines.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import islice

from pipeline.model.manifest import Piece
from pipeline.roms.operations.bits import table
from pipeline.roms.operations.wiring import address_lines
from pipeline.solve.atoms import Built, Changes, Source, as_size, change, changed
from pipeline.solve.values import find_changes

MOST_TRIED = 3_000
"""Lines tried for one chip at one place."""
MOST_ORDERS = 64
"""Orders of the lines that are held against the whole."""
LEAST = 64
"""Bytes of a chip or part, at least."""
STEP = 64
"""Parts begin at multiples of so many bytes of their chip."""
MOST_PARTS = 16_384
MOST_ALIKE = 8
LONGEST_PART = 1 << 11
"""Bytes of a part that is tried in other forms too."""
LONGEST_VARIED = 1 << 17
"""Bytes of a chip that is tried in other forms too."""
FIELD = 4
"""Bytes of a check field, at most."""
MOST_COMPARED = 64
"""Addresses compared for one line; the whole is compared at the end."""


def weights(data: bytes) -> bytes:
    """Return in how many bits each byte differs from the first."""
    return data.translate(table(lambda value: (value ^ data[0]).bit_count()))


class AddressBook:
    """Chips, parts of them and forms of them, by what an exchange of address lines leaves: see ``_key``."""

    def __init__(self, sources: Sequence[Source]) -> None:
        self._known: dict[tuple[int, bytes], list[tuple[Source, int]]] = {}
        self._turned: dict[tuple[int, bytes], list[tuple[Source, int]]] = {}
        room = MOST_PARTS
        for source in sorted(sources, key=lambda source: -len(source.data)):
            size = len(source.data)
            if size.bit_count() == 1 and size >= LEAST:
                for then, data in variants(source.data) if size <= LONGEST_VARIED else [((), source.data)]:
                    self._add(self._known, Source(source.chip, data, (*source.then, *then)), 0, size)
                self._add(self._turned, source, 0, size, turned=True)
            step = max(STEP, size // room * STEP) if room else size
            part = 1 << (size.bit_length() - 1)
            while part >= LEAST and room > 0:
                places = range(0, size - part + 1, step) if part < size else ()
                for offset in places:
                    self._add(self._known, source, offset, part)
                    if part <= LONGEST_PART:
                        for then, data in islice(variants(source.data[offset : offset + part]), 1, None):
                            take = change("take", {"from": offset, "size": as_size(part)})
                            self._add(self._known, Source(source.chip, data, (*source.then, take, *then)), 0, part)
                room -= len(places)
                part >>= 1
        self.lines = sorted({lines for lines, _ in self._known}, reverse=True)

    def _add(
        self,
        known: dict[tuple[int, bytes], list[tuple[Source, int]]],
        source: Source,
        offset: int,
        size: int,
        *,
        turned: bool = False,
    ) -> None:
        lines = size.bit_length() - 1
        data = source.data[::-1] if turned else source.data
        few = known.setdefault((lines, _key(data, lines, offset)), [])
        if len(few) < MOST_ALIKE:
            few.append((source, offset))

    def at(self, data: bytes, *, at_start: bool = False, rest: int = 0) -> Built | None:
        """Return the largest chip or part that begins a run with its address lines exchanged.

        ``at_start``: a check field may lie in its first bytes; likewise in its last, where no more than a field lies
        between them and the end, ``rest`` bytes away.
        """
        for lines in self.lines:
            size = 1 << lines
            if size > len(data):
                continue
            run = data[:size]
            at_end = rest - size in range(4 * FIELD)
            for then, turned in variants(run) if size <= LONGEST_VARIED else [((), run)]:
                for source, offset in self._known.get((lines, _key(turned, lines)), ()):
                    if source.then and then:
                        continue
                    chip = source.data[offset : offset + size]
                    changes = _found(chip, turned, lines, slice(None)) or (
                        _found(chip, turned, lines, slice(0, -FIELD)) if at_end and not then else None
                    )
                    if changes:
                        return _built(source, offset, size, (*changes, *then))
            if at_start:
                for source, _ in self._turned.get((lines, _key(run[::-1], lines)), ()):
                    changes = _found(source.data, run, lines, slice(FIELD, None), turned=True)
                    if changes:
                        return _built(source, 0, size, changes)
        return None


def _built(source: Source, offset: int, size: int, changes: Changes) -> Built:
    take = () if size == len(source.data) else (change("take", {"from": offset, "size": as_size(size)}),)
    return Built(Piece(operation="chip", name=source.chip, then=(*source.then, *take, *changes)), size)


def _key(data: bytes, lines: int, start: int = 0) -> bytes:
    """Return in how many bits the bytes on one address line differ from the first; exchanged lines reorder them."""
    first = data[start]
    return bytes(sorted([(data[start + (1 << k)] ^ first).bit_count() for k in range(lines)]))


def _found(chip: bytes, run: bytes, lines: int, part: slice, *, turned: bool = False) -> Changes | None:
    """Return the changes that turn a chip into a run, within a part of it.

    ``turned``: the search begins at the last address, since lines that are all inverted are exchanged alike.
    """
    one, two = (chip[::-1], run[::-1]) if turned else (chip, run)
    one, two = weights(one), weights(two)
    compared = slice(0, -FIELD) if part != slice(None) else part
    for source in islice(_searched(one, two, lines), MOST_ORDERS):
        order = tuple(source.index(line) for line in range(lines))
        if order == tuple(range(lines)) or address_lines(one, lines=order)[compared] != two[compared]:
            continue
        more = find_changes(address_lines(chip, lines=order)[part], run[part], 1)
        if more is not None:
            return (change("address-lines", order), *more)
    return None


def _searched(chip: bytes, run: bytes, lines: int) -> Iterator[list[int]]:
    """Yield for each line of the run's address which line of the chip's it is, in every way that the weights allow."""
    left = MOST_TRIED
    stack: list[tuple[list[int], list[int]]] = [([], [0])]
    while stack:
        source, addresses = stack.pop()
        if len(source) == lines:
            yield source
            continue
        k = len(source)
        wanted = run[1 << k : (1 << k) + len(addresses)]
        for line in range(lines - 1, -1, -1):
            if line in source:
                continue
            left -= 1
            if left < 0:
                return
            bit = 1 << line
            if all(chip[address | bit] == weight for address, weight in zip(addresses, wanted, strict=True)):
                more = addresses if len(addresses) >= MOST_COMPARED else [*addresses, *(a | bit for a in addresses)]
                stack.append(([*source, line], more))


def variants(chip: bytes) -> Iterator[tuple[Changes, bytes]]:
    """Yield a chip as it is, and as it is with the lines of an address inverted that people exchange on purpose."""
    yield (), chip
    half = len(chip) // 2
    for changes in (
        (change("swap-bytes", 16),),
        (change("blocks", {"size": half, "order": (1, 0)}),),
        (change("swap-bytes", 32),),
        (change("swap-words"),),
    ):
        yield changes, changed(chip, changes)
