"""Sums and CRCs recognised in a few bytes that nothing else explains."""

from __future__ import annotations

import binascii
import operator
import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import reduce
from typing import Literal

from pipeline.model.manifest import Change, Value
from pipeline.roms.operations.bits import REVERSED, reverse
from pipeline.roms.operations.crc import crc
from pipeline.solve.atoms import as_size, change, changed

WIDEST = 4
"""Bytes of a field, at most."""
MOST_RANGES = {1: 4, 2: 12, 4: 24}
"""Ranges that are tried for a field of so many bytes; of narrow ones, which chance brings too, few."""
LEAST = 64
"""Bytes that a field within a longer run is worked out from, at least."""
MOST_BYTES = 16 << 20
"""Bytes that are put through checks for the fields within one run, at most."""
SLOW_BYTES = 4 << 20
"""Bytes that are put through slow checks for one field, at most."""

CRCS = {
    2: (
        (0x1021, 0xFFFF, False, 0),
        (0x1021, 0x0000, False, 0),
        (0x1021, 0xFFFF, False, 0xFFFF),
        (0x1021, 0x0000, True, 0),
        (0x1021, 0xFFFF, True, 0xFFFF),
        (0x1021, 0xFFFF, True, 0),
        (0x8005, 0x0000, True, 0),
        (0x8005, 0xFFFF, True, 0),
        (0x8005, 0x0000, False, 0),
        (0x8005, 0xFFFF, True, 0xFFFF),
    ),
    4: (
        (0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF),
        (0x04C11DB7, 0xFFFFFFFF, True, 0),
        (0x04C11DB7, 0xFFFFFFFF, False, 0xFFFFFFFF),
        (0x04C11DB7, 0xFFFFFFFF, False, 0),
        (0x04C11DB7, 0, False, 0xFFFFFFFF),
        (0x1EDC6F41, 0xFFFFFFFF, True, 0xFFFFFFFF),
    ),
}
"""By bytes: polynomial, initial value, reflection and final XOR of the CRCs in use (common practice, from memory).

The first of four bytes is the one that is meant where a manifest gives no parameters.
"""


@dataclass(frozen=True, slots=True)
class CheckField:
    """A change of the whole ROM file that writes a check value over ``start`` to ``end``, from a range of it."""

    start: int
    end: int
    first: int
    last: int
    change: Change


def check_fields(target: bytes, start: int, end: int, borders: Sequence[int]) -> Iterator[CheckField]:
    """Yield the fields that explain the bytes from ``start`` to ``end``, the plainest first.

    ``borders``: addresses at which a checked range may begin or end, beside those of the file and of the field.
    """
    for width in (1, 2, 4):
        if width < end - start:
            continue
        places = [start] if width == end - start else range(max(end - width, 0), start + 1)
        for at in sorted(places, key=lambda at: (at % width, -at)):
            if at + width <= len(target):
                yield from _fields(target, at, width, borders)


def fields_within(target: bytes, start: int, end: int) -> Iterator[CheckField]:
    """Yield fields of four bytes somewhere in a longer run, over all else or over what lies on one side of it.

    Only what chance does not bring: CRC-32, and sums of bytes that need three bytes or more.
    """
    places = [at for at in (end - 4, start, *range(start + 1, end - 4)) if at >= start]
    for at in places[: MOST_BYTES // len(target) + 2]:
        found = target[at : at + 4]
        for first, last in ((0, len(target)), (at + 4, len(target)), (end, len(target)), (0, at), (0, start)):
            part = target[first:at] + target[at + 4 : last] if first <= at < last else target[first:last]
            if len(part) < LEAST or len(set(found)) == 1:
                continue
            order = _order(zlib.crc32(part), found)
            ways: list[tuple[str, dict[str, Value]]] = [("crc-32", {"byte-order": order})] if order else []
            if (value := sum(part)) >> 16:
                ways += _sum_of(value, found)
            for operation, arguments in ways:
                field = _field(target, at, 4, first, last, operation, arguments)
                if field:
                    yield field


def _ranges(size: int, at: int, width: int, borders: Sequence[int]) -> list[tuple[int, int]]:
    ranges = [(0, size), (0, at), (at + width, size)]
    below = [border for border in borders if border <= at]
    above = [border for border in borders if border >= at + width]
    ranges += [(border, at) for border in below[::-1]]
    ranges += [(at + width, border) for border in above]
    ranges += [(border, size) for border in below]
    ranges += [(0, border) for border in above[::-1]]
    if below and above:
        ranges.append((below[-1], above[0]))
    return [pair for pair in dict.fromkeys(ranges) if pair[1] - pair[0] > 2 * width][: MOST_RANGES[width]]


def _fields(target: bytes, at: int, width: int, borders: Sequence[int]) -> Iterator[CheckField]:
    budget = SLOW_BYTES
    found = target[at : at + width]
    for first, last in _ranges(len(target), at, width, borders):
        inside = first <= at < last
        part = target[first:at] + target[at + width : last] if inside else target[first:last]
        zeroed = target[first:at] + bytes(width) + target[at + width : last] if inside else part
        budget -= len(part)
        for operation, arguments in _values(part, zeroed, found, slow=budget > 0):
            field = _field(target, at, width, first, last, operation, arguments)
            if field:
                yield field


def _field(
    target: bytes, at: int, width: int, first: int, last: int, operation: str, arguments: Mapping[str, Value]
) -> CheckField | None:
    """Return the field where the operation that writes it leaves the target as it is."""
    where: dict[str, Value] = {"at": at, **arguments}
    if (first, last) != (0, len(target)):
        if first:
            where["from"] = first
        where["size"] = as_size(last - first)
    written = change(operation, where)
    return CheckField(at, at + width, first, last, written) if changed(target, (written,)) == target else None


def _values(part: bytes, zeroed: bytes, found: bytes, *, slow: bool) -> Iterator[tuple[str, dict[str, Value]]]:
    """Yield the checks that give these bytes, with their arguments but for places."""
    yield from _sums(part, found)
    if len(found) == 1 and reduce(operator.xor, part, 0) == found[0]:
        yield "xor-check", {}
    for field, data in (("excluded", part), ("zero", zeroed)) if zeroed is not part else (("excluded", part),):
        for number, crc_ in enumerate(CRCS.get(len(found), ())):
            if slow or crc_[0] == 0x1021 or (len(found) == 4 and number < 2):
                order = _order(_crc(data, len(found), *crc_), found)
                if order:
                    yield f"crc-{8 * len(found)}", _crc_arguments(len(found), number, order, field)


def _crc_arguments(width: int, number: int, order: str, field: str) -> dict[str, Value]:
    poly, init, reflected, xor_out = CRCS[width][number]
    known: dict[str, Value] = {"poly": poly, "init": init, "reflected": reflected, "xor-out": xor_out}
    arguments: dict[str, Value] = {} if width == 4 and number == 0 else known
    return {**arguments, "byte-order": order, **({} if field == "excluded" else {"field": field})}


def _crc(data: bytes, width: int, poly: int, init: int, reflected: bool, xor_out: int) -> int:
    """Return a CRC; the standard library has two of them in C."""
    if poly == 0x1021:
        value = binascii.crc_hqx(data.translate(REVERSED) if reflected else data, init)
        return (reverse(value, 16) if reflected else value) ^ xor_out
    if poly == 0x04C11DB7 and reflected and init == 0xFFFFFFFF:
        return zlib.crc32(data) ^ 0xFFFFFFFF ^ xor_out
    return crc(data, bits=8 * width, poly=poly, init=init, reflected=reflected, xor_out=xor_out)


def _sums(part: bytes, found: bytes) -> Iterator[tuple[str, dict[str, Value]]]:
    width = len(found)
    for of in (1, 2, 4):
        if of > width or len(part) % of:
            continue
        sums = [sum(part[j::of]) for j in range(of)]
        for order in ("little", "big") if max(of, width) > 1 else ("little",):
            shifts = range(of) if order == "little" else range(of - 1, -1, -1)
            value = sum(total << 8 * shift for total, shift in zip(sums, shifts, strict=True))
            yield from _sum_of(value, found, of, order)


def _sum_of(value: int, found: bytes, of: int = 1, order: str | None = None) -> Iterator[tuple[str, dict[str, Value]]]:
    """Yield the sums that write a value as these bytes; ``order`` where it is given already, else both are tried."""
    width = len(found)
    bits = 8 * width
    around = value
    while around >> bits:
        around = (around & (1 << bits) - 1) + (around >> bits)
    ways = [("plain", value, False), ("negated", -value, False), ("inverted", ~value, False)]
    if around != value % (1 << bits):
        ways += [("plain", around, True), ("inverted", ~around, True)]
    for known in (order,) if order else ("little", "big"):
        for form, signed, carry in ways:
            if (signed % (1 << bits)).to_bytes(width, _python(known)) == found:
                arguments: dict[str, Value] = {"bits": bits, **({"of": 8 * of} if of > 1 else {}), "form": form}
                if carry:
                    arguments["carry"] = "end-around"
                if max(of, width) > 1:
                    arguments["byte-order"] = f"{known}-endian"
                yield "sum", arguments


def _python(order: str) -> Literal["little", "big"]:
    return "big" if order == "big" else "little"


def _order(value: int, found: bytes) -> str | None:
    for order in ("little", "big"):
        if value.to_bytes(len(found), _python(order)) == found:
            return f"{order}-endian"
    return None
