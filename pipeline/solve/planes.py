"""Pieces whose data lines come from several chips: nibbles and bit planes, each line found by its own bits."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import NamedTuple

from pipeline.model.manifest import Piece
from pipeline.roms.operations.bit_values import unpack
from pipeline.roms.operations.bits import REVERSED, table
from pipeline.solve.atoms import Atom, AtomSource, Built, Changes, change, operations
from pipeline.solve.values import BITS, find_changes

PREFIX = 64
"""Bits of a line by which it is looked up."""
LEAST = 32
"""Bits of a line, at least."""
HEAD = 8
"""Bytes at the start of a piece that may differ, as a check field does."""
TAIL = 32
"""Bytes at its end that may."""
LARGEST = 1 << 16
"""Bytes of a chip that may be dumped with several bits of one word in a byte; such chips are small."""
MANY = 256
"""Chips that are looked at in every form and from every part on; of more, the lines of whole chips."""
MOST_LINES = 200_000
PARTS = 16
"""Parts of equal size at whose starts a piece may begin in its chip."""


class PlaneLine(NamedTuple):
    """One data line of a source from an offset on: its number, and whether it is inverted."""

    form: PlaneForm
    offset: int
    bit: int
    inverted: bool


@dataclass(frozen=True, slots=True, eq=False)
class PlaneForm:
    """A chip as a piece of one nibble or of one bit in each byte; ``packed``: how bits are packed, "" where not.

    ``source``: what a part is taken from; ``data``: the values, one a byte.
    """

    source: AtomSource
    data: bytes
    packed: str = ""


def forms(sources: Sequence[AtomSource]) -> Iterator[PlaneForm]:
    """Yield the forms in which chips of 4 bits and of 1 bit are dumped."""
    for source in sources:
        yield PlaneForm(source, source.data)
    small = [source for source in sources if len(source.data) <= LARGEST][:MANY]
    for source in small:
        for order in ("low-first", "high-first"):
            data = unpack(source.data, order=order)
            yield PlaneForm(AtomSource(source.chip, data, (*source.then, change("unpack", order))), data)
        for packed, data in (("lsb-first", source.data), ("msb-first", source.data.translate(REVERSED))):
            yield PlaneForm(source, _spread(data), packed)


def _spread(data: bytes) -> bytes:
    """Return the bits of bytes one a byte, the least significant first."""
    spread = bytearray(8 * len(data))
    for bit, bits in enumerate(BITS):
        spread[bit::8] = data.translate(bits)
    return bytes(spread)


class Book:
    """The lines of all forms by their first bits; inverted ones are found as well."""

    def __init__(self, sources: Sequence[AtomSource]) -> None:
        self._lines: dict[bytes, list[PlaneLine]] = {}
        count = 0
        for form in forms(sources):
            size = len(form.data)
            step = max(size // PARTS, 16) if len(sources) <= MANY else size
            width = 1 if form.packed else 4 if form.source.then else 8
            for bit in range(width):
                line = form.data.translate(BITS[bit])
                for offset in (HEAD, *range(0, size - LEAST + 1, step)):
                    start = line[offset : offset + PREFIX]
                    if count < MOST_LINES and 3 < start.count(1) < len(start) - 3:
                        for key, inverted in ((start, False), (start.translate(FLIPPED), True)):
                            self._lines.setdefault(key, []).append(PlaneLine(form, offset, bit, inverted))
                            count += 1
        self.longest = max((8 * len(source.data) for source in sources), default=0)
        self._lengths = sorted({len(key) for key in self._lines}, reverse=True)

    def begins(self, data: bytes) -> list[list[PlaneLine]]:
        """Return for each data line of a run those it may be, none for a constant one; [] where one is unknown."""
        found = []
        for bits in BITS:
            line = data[:PREFIX].translate(bits)
            known = next((self._lines[line[:length]] for length in self._lengths if line[:length] in self._lines), None)
            if known is None and line.count(line[0]) < len(line):
                return []
            found.append(known or [])
        return found if any(found) else []

    def at(self, data: bytes) -> Iterator[Built]:
        """Yield the pieces that begin a run, the longest first."""
        reach = [[(line, _reach(line, data, k)) for line in lines[:64]] for k, lines in enumerate(self.begins(data))]
        if not reach:
            return
        sizes = sorted({size for lines in reach for _, size in lines}, reverse=True)
        for size in sizes:
            chosen = [[line for line, long in lines if long >= size] for lines in reach]
            if size < LEAST or not all(lines or _constant(data[:size], k) for k, lines in enumerate(chosen)):
                continue
            first = min((lines for lines in chosen if lines), key=len)[0]
            whole = len(first.form.data) - first.offset
            for full in (whole, size // 8 * 8) if 0 < whole - size <= TAIL and whole <= len(data) else (size,):
                built = _piece(chosen, data[:size], full)
                if built:
                    yield built
                    break


FLIPPED = table(lambda value: value ^ 1)


def _constant(data: bytes, bit: int) -> bool:
    line = data.translate(BITS[bit])
    return line.count(line[0]) == len(line)


def _reach(line: PlaneLine, data: bytes, bit: int) -> int:
    """Return how many bytes of a run one of its data lines agrees with a line of a form."""
    size = min(len(data), len(line.form.data) - line.offset)
    wanted = data[:size].translate(BITS[bit])
    found = line.form.data[line.offset : line.offset + size].translate(BITS[line.bit])
    if line.inverted:
        found = found.translate(FLIPPED)
    if wanted == found:
        return size
    low, high = 0, size
    while high - low > 1:
        middle = (low + high) // 2
        if wanted[low:middle] == found[low:middle]:
            low = middle
        else:
            high = middle
    return low


def _piece(lines: Sequence[Sequence[PlaneLine]], data: bytes, size: int) -> Built | None:
    """Return the nibbles or planes of a size that give the bytes, which may be fewer."""
    return _nibbles(lines, data, size) or _planes(lines, data, size)


def _nibbles(lines: Sequence[Sequence[PlaneLine]], data: bytes, size: int) -> Built | None:
    """Return two chips of 4 bits, where each half of the data lines, in some order, comes from one."""
    chips: list[tuple[PlaneForm, int]] = []
    for few in lines:
        for line in few:
            if not line.form.packed and (line.form, line.offset) not in chips:
                chips.append((line.form, line.offset))
    best: Built | None = None
    for high, low, take_high, take_low in product(chips[:8], chips[:8], ("low", "high"), ("low", "high")):
        head = HEAD if high[1] == low[1] == HEAD else 0
        if min(len(form.data) - offset for form, offset in (high, low)) < size:
            continue
        values = _nibble_values(high, take_high, size), _nibble_values(low, take_low, size)
        if find_changes(_merged(values, min(256, len(data), size)), data[: min(256, size)], 1) is None:
            continue
        changes = find_changes(_merged(values, min(len(data), size)), data[:size], 1)
        if changes is None:
            continue
        parts = _nibble(high, take_high, size, head), _nibble(low, take_low, size, head)
        piece = Piece(operation="nibbles", parts=(parts[0].piece, parts[1].piece), then=changes)
        built = Built(piece, size + head, 2, head, parts)
        if best is None or operations(built.piece) < operations(best.piece):
            best = built
    return best


def _merged(nibbles: Sequence[bytes], size: int) -> bytes:
    return bytes(high << 4 | low for high, low in zip(nibbles[0][:size], nibbles[1][:size], strict=True))


def _nibble_values(chip: tuple[PlaneForm, int], take: str, size: int) -> bytes:
    form, offset = chip
    shift = 4 if take == "high" else 0
    return form.data[offset : offset + size].translate(table(lambda value: value >> shift & 15))


def _nibble(chip: tuple[PlaneForm, int], take: str, size: int, head: int) -> Atom:
    form, offset = chip
    more = (change("nibble", "high"),) if take == "high" else ()
    return Atom(form.source, offset - head, size + head, more)


def _planes(lines: Sequence[Sequence[PlaneLine]], data: bytes, size: int) -> Built | None:
    """Return as many planes as there are data lines up to the highest that is ever set."""
    used = max((k + 1 for k in range(8) if any(data.translate(BITS[k]))), default=0)
    kinds = {line.form.packed for few in lines[:used] for line in few}
    head = HEAD if all(any(line.offset == HEAD for line in few) for few in lines[:used]) else 0
    for packed in sorted(kinds):
        parts = []
        for k in range(used):
            few = [line for line in lines[k] if line.form.packed == packed and (not head or line.offset == head)]
            few.sort(key=lambda line: (line.bit != 0, line.inverted, len(line.form.source.then), line.offset))
            part = next((part for part in (_plane(line, size, head) for line in few) if part), None)
            if part is None:
                break
            parts.append(part)
        if len(parts) == used >= 2:
            inverted = [_is_inverted(part) for part in parts]
            changes: Changes = ()
            if all(inverted) and used == 8:
                parts, changes = [_upright(part) for part in parts], (change("invert"),)
            elif sum(inverted) > 1:
                mask = sum(1 << k for k, turned in enumerate(inverted) if turned)
                parts, changes = [_upright(part) for part in parts], (change("xor", mask),)
            arguments = {"packed": packed} if packed else {}
            pieces = tuple(part.piece for part in parts)
            piece = Piece(operation="planes", arguments=arguments, parts=pieces, then=changes)
            return Built(piece, size + head, used, head, tuple(parts))
    return None


def _plane(line: PlaneLine, size: int, head: int) -> Atom | None:
    scale = 8 if line.form.packed else 1
    if line.offset % scale or size % scale:
        return None
    more = (change("plane", line.bit),) if line.bit else ()
    turned = (change("invert"),) if line.inverted else ()
    return Atom(line.form.source, (line.offset - head) // scale, (size + head) // scale, (*more, *turned))


def other_halves(built: Built) -> Iterator[Built]:
    """Yield the same nibbles or planes from the other half of their chips, where they use just a half of each."""
    halves = [len(part.source.data) // 2 for part in built.parts]
    if any(part.size != half for part, half in zip(built.parts, halves, strict=True)):
        return
    turned = [replace(part, offset=half - part.offset) for part, half in zip(built.parts, halves, strict=True)]
    choices = product(*zip(turned, built.parts, strict=True)) if len(turned) == 2 else [tuple(turned)]
    for parts in choices:
        if parts != built.parts and all(part.offset in (0, part.size) for part in parts):
            pieces = tuple(part.piece for part in parts)
            yield replace(built, piece=replace(built.piece, parts=pieces), parts=parts)


def _is_inverted(part: Atom) -> bool:
    return bool(part.then) and part.then[-1].operation == "invert"


def _upright(part: Atom) -> Atom:
    return replace(part, then=part.then[:-1]) if _is_inverted(part) else part
