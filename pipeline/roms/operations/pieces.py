"""Pieces: bytes from a chip, from other pieces, or written in the manifest.

Notation: a, b are the bytes of parts, o what comes out, i an index from 0. The formulas are plain index arithmetic
(common practice of ROM work); the tests hold each to a public tool or to numpy.
"""

from __future__ import annotations

from pipeline.model.ranges import Ranges, RangeSource
from pipeline.roms.operations.arguments import CHIP, HEX, SIZE, VALUE, choice, show_hex, show_value
from pipeline.roms.operations.bits import merge, table
from pipeline.roms.operations.operation import Operation, whole_units
from pipeline.roms.provenance import interleaved, joined, scaled, through, together, whole

HIGH = table(lambda value: value << 4)
LOW = table(lambda value: value & 15)


def join(*parts: bytes) -> bytes:
    """Return o = a followed by b and so on, the first at the lowest address."""
    return b"".join(parts)


def interleave(*lanes: bytes, unit: int) -> bytes:
    """Return o[(i * k + lane) * unit + j] = lane[i * unit + j] for k lanes.

    k is 2, 3, 4 or 8, and a unit 1, 2 or 4 bytes. The first lane holds the lowest address of each group. On a
    big-endian 16-bit processor that is data lines 15 to 8.
    """
    rom = bytearray(sum(map(len, lanes)))
    stride = len(lanes) * unit
    for number, lane in enumerate(lanes):
        for j in range(unit):
            rom[number * unit + j :: stride] = lane[j::unit]
    return bytes(rom)


def nibbles(high: bytes, low: bytes) -> bytes:
    """Return o[i] = (high[i] & 15) * 16 + (low[i] & 15): two 4-bit PROMs side by side.

    Each dump holds its four bits in the low half of a byte; the upper half, which readers leave as 0, F or noise, is
    not used. Dumps of other shapes are first put into this one by ``nibble`` or ``unpack``.
    """
    return merge(high.translate(HIGH), low.translate(LOW))


def planes(*parts: bytes, packed: str | None) -> bytes:
    """Return o[i] = the sum of (plane k, bit i) << k: 1-bit chips side by side, the first on data line 0.

    A plane holds one bit a byte, in bit 0, or is packed: eight bits a byte, the first of them the most significant
    ("msb-first") or the least significant ("lsb-first").
    """
    if packed is None:
        return merge(*(_place_bit(plane, 0, k) for k, plane in enumerate(parts)))
    rom = bytearray(8 * len(parts[0]))
    for i in range(8):
        bit = 7 - i if packed == "msb-first" else i
        rom[i::8] = merge(*(_place_bit(plane, bit, k) for k, plane in enumerate(parts)))
    return bytes(rom)


def _place_bit(data: bytes, bit: int, line: int) -> bytes:
    return data.translate(table(lambda value: (value >> bit & 1) << line))


def run(*, fill: int | bytes, size: int) -> bytes:
    """Return o[i] = fill, or o[i] = fill[i mod its length] for a pattern, which fits a whole number of times."""
    pattern = bytes([fill]) if isinstance(fill, int) else fill
    return pattern * (size // len(pattern))


def _equal_lanes(*sizes: int, unit: int = 1, **_arguments: object) -> int:
    if len(set(sizes)) != 1:
        raise ValueError(f"parts have {', '.join(f'{size:,}' for size in sizes)} bytes; expected equal sizes")
    return len(sizes) * whole_units(sizes[0], unit)


def _nibbles_size(*sizes: int) -> int:
    return _equal_lanes(*sizes) // 2


def _planes_size(*sizes: int, packed: str | None) -> int:
    return _equal_lanes(*sizes) // len(sizes) * (8 if packed else 1)


def _interleave_trace(_: str, *lanes: Ranges, unit: int) -> Ranges:
    count = len(lanes)
    named = [through(lane, f"lane {n} of {count} ({unit}-byte units)") for n, lane in enumerate(lanes)]
    return interleaved(*named, unit=unit)


def _planes_trace(_: str, *parts: Ranges, packed: str | None) -> Ranges:
    named = [through(part, f"bit plane {k}") for k, part in enumerate(parts)]
    return together(*(scaled(part, 1, 8 if packed else 1) for part in named))


def _fill_size(*, fill: int | bytes, size: int) -> int:
    length = 1 if isinstance(fill, int) else len(fill)
    if not length:
        raise ValueError("the pattern has no bytes; expected one or more")
    return whole_units(size, length)


PIECES = (
    Operation(
        name="chip",
        arguments={"chip": CHIP.described("The name of a chip of this title.", "4t")},
        description="The bytes of one chip.",
        parts=(0,),
        size=lambda *, chip: chip,
        apply=lambda *, chip: chip,
        trace=lambda _, *, chip: chip,
        describe="{chip}".format,
    ),
    Operation(
        name="join",
        description="Pieces one after another.",
        parts_description="The pieces, lowest address first.",
        example=["3a", "4a"],
        parts=range(2, 65_537),
        size=lambda *sizes: sum(sizes),
        apply=join,
        trace=lambda _, *parts: joined(*parts),
        describe=lambda *parts: f"join {', '.join(parts)}",
    ),
    Operation(
        name="interleave",
        arguments={"unit": choice(1, 2, 4).otherwise(1).described("How many bytes each lane gives in its turn.", 2)},
        description="Pieces of one size whose units take turns.",
        parts_description="The lanes, pieces of one size, lowest address first.",
        example=["1a", "2a"],
        parts=(2, 3, 4, 8),
        size=_equal_lanes,
        apply=interleave,
        trace=_interleave_trace,
        describe=lambda *parts, unit: f"interleave {', '.join(parts)} ({unit}-byte units)",
    ),
    Operation(
        name="nibbles",
        description="Two 4-bit PROMs side by side: the low halves of their bytes.",
        parts_description="Two pieces of one size: the high nibbles, then the low ones.",
        example=["h1", "l1"],
        parts=(2,),
        size=_nibbles_size,
        apply=nibbles,
        trace=lambda _, high, low: together(through(high, "high nibble"), through(low, "low nibble")),
        describe="nibbles of {} (high), {} (low)".format,
    ),
    Operation(
        name="planes",
        arguments={
            "packed": choice("msb-first", "lsb-first")
            .otherwise(None)
            .described("How eight bits lie in each byte of a plane; left out: one bit a byte.", "msb-first")
        },
        description="1-bit chips side by side.",
        parts_description="Two to eight pieces of one size; the first is data line 0.",
        example=["p0", "p1", "p2", "p3"],
        parts=range(2, 9),
        size=_planes_size,
        apply=planes,
        trace=_planes_trace,
        describe=lambda *parts, packed: f"bit planes {', '.join(parts)}" + (f" (packed {packed})" if packed else ""),
    ),
    Operation(
        name="bytes",
        arguments={"bytes": HEX.described("The bytes.", "DE AD BE EF")},
        description="Bytes as written.",
        parts=(0,),
        size=lambda *, bytes_: len(bytes_),
        apply=lambda *, bytes_: bytes_,
        trace=lambda _, *, bytes_: whole(len(bytes_), RangeSource("bytes", show_hex(bytes_))),
        describe="bytes {bytes_}".format,
    ),
    Operation(
        name="fill",
        arguments={
            "fill": VALUE.described("The byte or the pattern.", 255),
            "size": SIZE.described("How many bytes the run has.", "1 KiB"),
        },
        description="A run of one byte, or of a pattern.",
        parts=(0,),
        size=_fill_size,
        apply=run,
        trace=lambda _, *, fill, size: whole(size, RangeSource("fill", show_value(fill))),
        describe="{size} of {fill}".format,
    ),
)
"""Every operation that makes a piece."""
