"""Which changes of values turn one run of bytes into another, and what such changes leave as it is.

Any exchange of data lines and any XOR with a constant leaves the number of bits in which two bytes differ as it is
(both are affine over GF(2), and an exchange keeps the weight). So the weights of the differences of neighbours find a
chip whatever was done to its lines; what was done follows from the bytes themselves.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Iterator, Sequence

from pipeline.model.manifest import Change
from pipeline.roms.operations.bits import REVERSED, combine, table
from pipeline.roms.operations.wiring import data_lines, swap_bytes, swap_words
from pipeline.solve.atoms import POPCOUNT, Changes, change

NIBBLES = (4, 5, 6, 7, 0, 1, 2, 3)
EXCHANGED = table(lambda value: value >> 4 | value << 4)
BITS = [table(lambda value, bit=bit: value >> bit & 1) for bit in range(8)]  # type: ignore[misc]

SHUFFLES: dict[int, Sequence[tuple[Changes, Callable[[bytes], bytes]]]] = {
    1: [((), bytes)],
    2: [((), bytes), ((change("swap-bytes", 16),), lambda data: swap_bytes(data, bits=16))],
    4: [
        ((), bytes),
        ((change("swap-bytes", 32),), lambda data: swap_bytes(data, bits=32)),
        ((change("swap-words"),), swap_words),
        ((change("swap-bytes", 16),), lambda data: swap_bytes(data, bits=16)),
    ],
}
"""By the bytes of a unit: the ways its bytes are exchanged."""


def differences(data: bytes, unit: int) -> bytes:
    """Return for each i in how many bits the unit at i differs from the one behind it."""
    if len(data) < 2 * unit:
        return b""
    weights = combine(operator.xor, data[:-unit], data[unit:]).translate(POPCOUNT)
    size = len(weights) - unit + 1
    return combine(operator.add, *(weights[j : j + size] for j in range(unit))) if unit > 1 else weights


def find_changes(before: bytes, after: bytes, unit: int) -> Changes | None:
    """Return the fewest changes of values that turn one run into the other, None where there are none we know.

    Both runs have the same size, a whole number of units; a change acts within each unit, alike in all.
    """
    found = list(_ways(before, after, unit))
    return min(found, key=len) if found else None


def lines_are_certain(before: bytes, changes: Changes) -> bool:
    """Whether no other order of data lines would do the same to these bytes."""
    if not any(change_.operation == "data-lines" and change_.arguments != NIBBLES for change_ in changes):
        return True
    start = before[0] if before else 0
    normal = before.translate(table(lambda value: value ^ start))
    columns = [normal.translate(bits) for bits in BITS]
    return len(set(columns)) == len(columns)


def _ways(before: bytes, after: bytes, unit: int) -> Iterator[Changes]:
    for shuffle, apply in SHUFFLES[unit]:
        moved = apply(before)
        for lines, turned in (
            (None, moved),
            ("reversed", moved.translate(REVERSED)),
            (NIBBLES, moved.translate(EXCHANGED)),
        ):
            xor = _xor(turned, after, unit)
            if xor is not None:
                yield (*_with(shuffle, lines), *xor)
                if not shuffle and not lines and not xor:
                    return
        order = _lines(moved, after, unit, 8)
        if order:
            xor = _xor(data_lines(moved, lines=order, byte_order=None), after, unit)
            if xor is not None:
                yield (*shuffle, change("data-lines", order), *xor)
    for shuffle, apply in SHUFFLES[unit] if unit > 1 else ():
        moved = apply(before)
        order = _lines(moved, after, unit, 16)
        if order:
            xor = _xor(data_lines(moved, lines=order, byte_order="little-endian"), after, unit)
            if xor is not None:
                yield (*shuffle, change("data-lines", {"lines": order, "byte-order": "little-endian"}), *xor)
                return


def _with(shuffle: Changes, lines: object) -> Changes:
    if lines == "reversed":
        swapped = [swap for swap in shuffle if swap.operation == "swap-bytes"]
        if swapped:
            return (change("reverse-bits", swapped[0].arguments),)
        return (*shuffle, change("reverse-bits", 8))
    return (*shuffle, change("data-lines", NIBBLES)) if lines else shuffle


def _xor(before: bytes, after: bytes, unit: int) -> Changes | None:
    """Return the XOR with one value for each byte of a unit that turns one run into the other."""
    pattern = bytes(a ^ b for a, b in zip(before[:unit], after[:unit], strict=True))
    if len(set(pattern)) == 1:
        if before.translate(table(lambda value: value ^ pattern[0])) != after:
            return None
        if pattern[0] in (0, 0xFF):
            return (change("invert"),) if pattern[0] else ()
        return (change("xor", pattern[0]),)
    if combine(operator.xor, before, after) != pattern * (len(before) // unit):
        return None
    while len(pattern) % 2 == 0 and pattern[: len(pattern) // 2] == pattern[len(pattern) // 2 :]:
        pattern = pattern[: len(pattern) // 2]
    return (change("xor", {"pattern": pattern.hex(" ").upper()}),)


def _lines(before: bytes, after: bytes, unit: int, width: int) -> tuple[int, ...] | None:
    """Return for each output line the line that feeds it, where the differences to the first unit allow one.

    Of lines that hold the same bits everywhere, each feeds itself where it can.
    """
    ins, outs = _columns(before, unit, width), _columns(after, unit, width)
    free: dict[bytes, list[int]] = {}
    for line, column in enumerate(ins):
        free.setdefault(column, []).append(line)
    order = [-1] * width
    for line, column in enumerate(outs):
        if line in free.get(column, ()):
            free[column].remove(line)
            order[line] = line
    for line, column in enumerate(outs):
        if order[line] < 0:
            if not free.get(column):
                return None
            order[line] = free[column].pop(0)
    return tuple(order)


def _columns(data: bytes, unit: int, width: int) -> list[bytes]:
    """Return each line's bits, one a byte, as differences to the first unit."""
    normal = combine(operator.xor, data, data[:unit] * (len(data) // unit))
    if width == 8:
        return [normal.translate(bits) for bits in BITS]
    return [normal[half::2].translate(bits) for half in (0, 1) for bits in BITS]


def is_plain(changes: Sequence[Change]) -> bool:
    """Whether every change acts on single bytes alike, so that it can be done before or after any exchange of them."""
    return all(
        change_.operation in ("invert", "data-lines", "reverse-bits", "xor") and not _is_wide(change_)
        for change_ in changes
    )


def _is_wide(change_: Change) -> bool:
    return isinstance(change_.arguments, dict) or (change_.operation == "reverse-bits" and change_.arguments != 8)
