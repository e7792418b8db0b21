"""Which exchange of address lines, with which change of values, turns a chip's bytes into others.

No exchange of address lines moves the first and the last byte, and it moves the bytes whose address has one line set
among themselves: that rules nearly every place out. The lines are then found from the lowest on, each by the
addresses that it and those below it reach; weights of differences stand for the bytes, since they are left as they
are by whatever was done to the data lines.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache
from itertools import islice

from pipeline.model.manifest import Piece
from pipeline.roms.operations.bits import table
from pipeline.roms.operations.wiring import address_lines, swap_bytes, swap_words
from pipeline.solve.atoms import AtomSource, Built, Changes, as_size, change
from pipeline.solve.values import find_changes

MOST_TRIED = 3_000
"""Lines tried for one chip at one place."""
MOST_ORDERS = 64
"""Orders of the lines that are held against the whole."""
LEAST = 64
"""Bytes of a chip or part, at least."""
STEP = 64
"""Parts begin at multiples of so many bytes of their chip."""
MOST_PARTS = 65_536
"""Parts that are remembered; of more, those at multiples of a larger step."""
MOST_ALIKE = 8
LEAST_VARIED = 1 << 17
"""Bytes of all chips together, up to which parts are tried in other forms too."""
EVERY = slice(None)
LONGEST_VARIED = 1 << 17
"""Bytes of a chip that is tried in other forms too."""
FIELD = 4
"""Bytes of a check field, at most."""
MOST_COMPARED = 64
"""Addresses compared for one line; the whole is compared at the end."""


def weights(data: bytes) -> bytes:
    """Return in how many bits each byte differs from the first."""
    return data.translate(_weights(data[0]))


@cache
def _weights(first: int) -> bytes:
    return table(lambda value: (value ^ first).bit_count())


class AddressBook:
    """Chips, parts of them and forms of them, by what an exchange of address lines leaves: see ``_key``."""

    def __init__(self, sources: Sequence[AtomSource]) -> None:
        self._known: dict[tuple[int, bytes], list[tuple[AtomSource, int]]] = {}
        self._whole: dict[tuple[int, bytes], list[tuple[AtomSource, int]]] = {}
        for source in sorted(sources, key=lambda source: -len(source.data)):
            size = len(source.data)
            if size.bit_count() == 1 and size >= LEAST:
                self._add(self._whole, source, 0, size, part=slice(0, -1))
                self._add(self._whole, source, 0, size, part=slice(None, 0, -1))
                for then, data in variants(source.data) if size <= LONGEST_VARIED else [((), source.data)]:
                    self._add(self._known, AtomSource(source.chip, data, (*source.then, *then)), 0, size)
        self._add_parts(sources)
        self.lines = sorted({lines for lines, _ in self._known}, reverse=True)
        self.chip_lines = sorted({lines for lines, _ in self._whole}, reverse=True)

    def _add_parts(self, sources: Sequence[AtomSource]) -> None:
        total = sum(len(source.data) for source in sources)
        step = STEP * max(total // STEP * 8 // MOST_PARTS, 1)
        for source in sources:
            size = 1 << (len(source.data).bit_length() - 1)
            while size >= LEAST:
                for offset in range(0, len(source.data) - size + 1, step) if size < len(source.data) else ():
                    self._add(self._known, source, offset, size)
                    if total <= LEAST_VARIED:
                        take = change("take", {"from": offset, "size": as_size(size)})
                        for then, data in islice(variants(source.data[offset : offset + size]), 1, None):
                            self._add(self._known, AtomSource(source.chip, data, (*source.then, take, *then)), 0, size)
                size >>= 1

    def _add(
        self,
        known: dict[tuple[int, bytes], list[tuple[AtomSource, int]]],
        source: AtomSource,
        offset: int,
        size: int,
        part: slice = EVERY,
    ) -> None:
        lines = size.bit_length() - 1
        few = known.setdefault((lines, _key(source.data[offset : offset + size], lines, part)), [])
        if len(few) < MOST_ALIKE:
            few.append((source, offset))

    def at(self, data: bytes, *, at_start: bool = False, rest: int = 0, whole: bool = False) -> Built | None:
        """Return the largest chip or part that begins a run with its address lines exchanged.

        ``whole``: of the sizes of whole chips only. ``at_start``: a check field may lie in its first bytes; likewise
        in its last, where no more than a field lies between them and the end, ``rest`` bytes away.
        """
        for lines in self.chip_lines if whole else self.lines:
            size = 1 << lines
            if size > len(data):
                continue
            run = data[:size]
            for then, turned in variants(run) if size <= LONGEST_VARIED else [((), run)]:
                for source, offset in self._known.get((lines, _key(turned, lines)), ()):
                    if source.then and then:
                        continue
                    changes = _found(source.data[offset : offset + size], turned, lines, EVERY)
                    if changes:
                        return _built(source, offset, size, (*changes, *then))
            at_end = rest - size in range(4 * FIELD)
            for looked_at, part, backward in (
                (at_end, slice(0, -FIELD), slice(0, -1)),
                (at_start, slice(FIELD, None), slice(None, 0, -1)),
            ):
                for source, _ in self._whole.get((lines, _key(run, lines, backward)), ()) if looked_at else ():
                    changes = _found(source.data, run, lines, part)
                    if changes:
                        return _built(source, 0, size, changes)
        return None


def _built(source: AtomSource, offset: int, size: int, changes: Changes) -> Built:
    take = () if size == len(source.data) else (change("take", {"from": offset, "size": as_size(size)}),)
    return Built(Piece(operation="chip", name=source.chip, then=(*source.then, *take, *changes)), size)


def _key(data: bytes, lines: int, part: slice = EVERY) -> bytes:
    """Return in how many bits the bytes on one address line differ from the first; exchanged lines reorder them.

    Then come the last byte, which stays where it is, and those with one line not set, seen from it. ``part`` may leave
    these out, or, where it is backward, the former.
    """
    forward = b"" if part.step else _seen_from(data, 0, 1, lines)
    backward = b"" if part.stop else _seen_from(data, -1, -1, lines)
    if part != EVERY:
        return forward + backward
    return forward + backward + bytes([(data[-1] ^ data[0]).bit_count()])


def _seen_from(data: bytes, start: int, sign: int, lines: int) -> bytes:
    first = data[start]
    return bytes(sorted([(data[start + (sign << k)] ^ first).bit_count() for k in range(lines)]))


def _found(chip: bytes, run: bytes, lines: int, part: slice) -> Changes | None:
    """Return the changes that turn a chip into a run, within a part of it.

    Where its first bytes are left out, the search begins at the last address: lines that are all inverted are
    exchanged alike.
    """
    chip_weights, run_weights = (chip[::-1], run[::-1]) if part.start else (chip, run)
    chip_weights, run_weights = weights(chip_weights), weights(run_weights)
    compared = EVERY if part == EVERY else slice(0, -FIELD)
    for source in islice(searched_lines(chip_weights, run_weights, lines, lines), MOST_ORDERS):
        order = tuple(source.index(line) for line in range(lines))
        if order == tuple(range(lines)) or address_lines(chip_weights, lines=order)[compared] != run_weights[compared]:
            continue
        more = find_changes(address_lines(chip, lines=order)[part], run[part], 1)
        if more is not None:
            return (change("address-lines", order), *more)
    return None


def searched_lines(chip: bytes, run: bytes, lines: int, run_lines: int) -> Iterator[list[int]]:
    """Yield for each line of the run's address which line of the chip's it is, in every way that the weights allow.

    The chip has ``lines`` address lines, the run as many or fewer.
    """
    left = MOST_TRIED
    stack: list[tuple[list[int], list[int]]] = [([], [0])]
    while stack:
        source, addresses = stack.pop()
        if len(source) == run_lines:
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


def variants(data: bytes) -> Iterator[tuple[Changes, bytes]]:
    """Yield bytes as they are, and with lines of the address inverted as people do it on purpose."""
    yield (), data
    half = len(data) // 2
    yield (change("swap-bytes", 16),), swap_bytes(data, bits=16)
    yield (change("blocks", {"size": half, "order": (1, 0)}),), data[half:] + data[:half]
    yield (change("swap-bytes", 32),), swap_bytes(data, bits=32)
    yield (change("swap-words"),), swap_words(data)
