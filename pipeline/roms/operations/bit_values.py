"""Changes of values: nibbles, bit planes, XOR, masks.

Notation: a are the bytes of the piece, o what comes out, i an index from 0. The formulas are plain arithmetic on bytes
(common practice of ROM work); the tests hold each to a public tool or to numpy.
"""

from __future__ import annotations

import operator

from pipeline.model.ranges import Ranges
from pipeline.roms.operations.arguments import BYTE, CHIP, HEX, choice, number, show_value
from pipeline.roms.operations.bits import combine, merge, table
from pipeline.roms.operations.operation import Operation, in_units, same_size, whole_units
from pipeline.roms.provenance import through, together

LOW = table(lambda value: value & 15)
LOW_TO_HIGH = table(lambda value: value << 4)
HIGH_TO_LOW = table(lambda value: value >> 4)
INVERTED = table(lambda value: ~value)


def nibble(data: bytes, *, take: str, rest: int | None) -> bytes:
    """Return o[i] = a[i] & 15 ("low") or a[i] >> 4 ("high"): one 4-bit PROM of a dump, in the low half of each byte.

    Readers leave the other nibble as 0, F or noise. ``rest`` is what it must be everywhere, else the piece is refused.
    """
    shift, rest_shift = (4, 0) if take == "high" else (0, 4)
    if rest is not None:
        unlike = data.translate(table(lambda value: (value >> rest_shift & 15) != rest))
        at = unlike.find(1)
        if at >= 0:
            found = show_value(data[at])
            raise ValueError(f"holds {found} at 0x{at:04X}; expected {rest:X} in the nibble that is not taken")
    return data.translate(table(lambda value: value >> shift & 15))


def unpack(data: bytes, *, order: str) -> bytes:
    """Return two bytes for each byte of a dump that packs two nibbles in one: the low nibble first, or the high one."""
    rom = bytearray(2 * len(data))
    first = 0 if order == "low-first" else 1
    rom[first::2] = data.translate(LOW)
    rom[first ^ 1 :: 2] = data.translate(HIGH_TO_LOW)
    return bytes(rom)


def pack(data: bytes, *, order: str) -> bytes:
    """Return one byte for each two: their low nibbles packed, the inverse of ``unpack``."""
    first = 0 if order == "low-first" else 1
    return merge(data[first::2].translate(LOW), data[first ^ 1 :: 2].translate(LOW_TO_HIGH))


def plane(data: bytes, *, bit: int, packed: str | None) -> bytes:
    """Return o[i] = (a[i] >> bit) & 1: one data line, a bit a byte, or packed eight a byte; the inverse of ``planes``.

    Packed, the first of eight bits is the most significant ("msb-first") or the least significant ("lsb-first").
    """
    if packed is None:
        return _bit_to(data, bit, 0)
    return merge(*(_bit_to(data[i::8], bit, 7 - i if packed == "msb-first" else i) for i in range(8)))


def xor(data: bytes, *, value: int | None, pattern: bytes | None, chip: bytes | None) -> bytes:
    """Return o[i] = a[i] ^ value, a[i] ^ pattern[i mod its length], or a[i] ^ chip[i].

    The pattern begins at the first byte of the piece, wherever the piece is put. A chip has the piece's size.
    """
    if value is not None:
        return data.translate(table(lambda byte: byte ^ value))
    key = chip or b""
    if pattern:
        key = (pattern * (len(data) // len(pattern) + 1))[: len(data)]
    return combine(operator.xor, data, key)


def invert(data: bytes) -> bytes:
    """Return o[i] = 255 - a[i]: every bit the other way, as on an active-low bus."""
    return data.translate(INVERTED)


def mask_and(data: bytes, *, mask: int) -> bytes:
    """Return o[i] = a[i] & mask: the other data lines read as 0."""
    return data.translate(table(lambda value: value & mask))


def mask_or(data: bytes, *, mask: int) -> bytes:
    """Return o[i] = a[i] | mask: these data lines read as 1."""
    return data.translate(table(lambda value: value | mask))


def _bit_to(data: bytes, bit: int, line: int) -> bytes:
    return data.translate(table(lambda value: (value >> bit & 1) << line))


def _plane_size(size: int, /, *, bit: int, packed: str | None) -> int:
    return size if packed is None else whole_units(size, 8) // 8


def _xor_size(size: int, /, *, value: int | None, pattern: bytes | None, chip: int | None) -> int:
    given = [name for name, what in (("value", value), ("pattern", pattern), ("chip", chip)) if what is not None]
    if len(given) != 1:
        raise ValueError(f"has {' and '.join(given) or 'nothing to combine with'}; expected value, pattern or chip")
    if pattern == b"":
        raise ValueError("the pattern has no bytes; expected one or more")
    if chip not in (None, size):
        raise ValueError(f"combines {size:,} bytes with a chip of {chip:,}; expected equal sizes")
    return size


def _xor_trace(words: str, part: Ranges, /, *, chip: Ranges | None, **_others: object) -> Ranges:
    return together(through(part, words), through(chip or (), "as the pattern of the XOR"))


def _describe_xor(*, value: str, pattern: str, chip: str) -> str:
    return f"XOR with {value or pattern or f'chip {chip}'}"


ORDER = choice("low-first", "high-first").described("Which nibble of a packed byte comes first.", "low-first")
MASK = BYTE.described("The byte.", 15)

VALUES = (
    Operation(
        name="nibble",
        arguments={
            "take": choice("low", "high").described("Which nibble is kept.", "low"),
            "rest": number(0, 15, "0x{:X}".format)
            .otherwise(None)
            .described("What the other nibble must be everywhere.", 15),
        },
        title="a nibble",
        description="Keeps one nibble of each byte, in the low half.",
        example="low",
        main="take",
        size=same_size,
        apply=nibble,
        describe=lambda *, take, rest: f"{take} nibble" + (f", the other being {rest}" if rest else ""),
    ),
    Operation(
        name="unpack",
        arguments={"order": ORDER},
        description="Makes two bytes of each byte, a nibble each.",
        example="low-first",
        main="order",
        size=lambda size, *, order: 2 * size,
        apply=unpack,
        trace=lambda words, part, *, order: in_units(words, part, 1, 2),
        describe="unpack nibbles {order}".format,
    ),
    Operation(
        name="pack",
        arguments={"order": ORDER},
        description="Makes one byte of the low nibbles of each two.",
        example="low-first",
        main="order",
        size=lambda size, *, order: whole_units(size, 2) // 2,
        apply=pack,
        trace=lambda words, part, *, order: in_units(words, part, 2, 1),
        describe="pack nibbles {order}".format,
    ),
    Operation(
        name="plane",
        arguments={
            "bit": number(0, 7).described("The data line.", 0),
            "packed": choice("msb-first", "lsb-first")
            .otherwise(None)
            .described("How eight bits are packed into each byte; left out: one bit a byte.", "msb-first"),
        },
        title="a data line",
        description="Keeps one data line, a bit a byte.",
        example=0,
        main="bit",
        size=_plane_size,
        apply=plane,
        trace=lambda words, part, *, bit, packed: in_units(words, part, 8 if packed else 1, 1),
        describe=lambda *, bit, packed: f"bit plane {bit}" + (f" (packed {packed})" if packed else ""),
    ),
    Operation(
        name="xor",
        arguments={
            "value": BYTE.otherwise(None).described("The byte.", 90),
            "pattern": HEX.otherwise(None).described(
                "The bytes that repeat, from the first byte of the piece on.", "12 34 56"
            ),
            "chip": CHIP.otherwise(None).described("A chip of the piece's size.", "4t"),
        },
        title="a byte, or a table with value, pattern or chip",
        description="Combines each byte with a byte, a repeated pattern or a chip by exclusive or.",
        example=90,
        limits={"title": "a table with one key: value, pattern or chip", "minProperties": 1, "maxProperties": 1},
        main="value",
        size=_xor_size,
        apply=xor,
        trace=_xor_trace,
        describe=_describe_xor,
    ),
    Operation(name="invert", description="Inverts every bit.", size=same_size, apply=invert, describe=lambda: "invert"),
    Operation(
        name="and",
        arguments={"mask": MASK},
        description="Keeps the bits of this byte and clears the others.",
        example=15,
        main="mask",
        size=same_size,
        apply=mask_and,
        describe="AND {mask}".format,
    ),
    Operation(
        name="or",
        arguments={"mask": MASK},
        description="Sets the bits of this byte.",
        example=240,
        main="mask",
        size=same_size,
        apply=mask_or,
        describe="OR {mask}".format,
    ),
)
"""Every change of values."""
