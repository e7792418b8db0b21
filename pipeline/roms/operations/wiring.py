"""Changes of wiring: bytes, bits and address lines that reach the core in another order than the dump has them.

Notation: a are the bytes of the piece, o what comes out, i an index from 0; line 0 is the least significant. The
formulas are plain index arithmetic (common practice of ROM work); the tests hold each to a public tool or to numpy.
"""

from __future__ import annotations

from array import array
from collections.abc import Sequence

from pipeline.model.ranges import Ranges
from pipeline.roms.operations.arguments import ENDIAN, LINES, choice
from pipeline.roms.operations.bits import REVERSED, merge, move_bits
from pipeline.roms.operations.operation import Operation, in_units, same_size, whole_units
from pipeline.roms.provenance import backwards, permuted, through

ITEMS = {16: "H", 32: "I", 64: "Q"}
"""array's type code for an unsigned number of so many bits."""
WINDOW = 8
"""Address lines below it are permuted inside a block, by one list of offsets that serves all blocks."""


def swap_bytes(data: bytes, *, bits: int) -> bytes:
    """Return o[u * i + j] = a[u * i + u - 1 - j] for units of u = bits / 8 bytes: each unit back to front."""
    numbers = array(ITEMS[bits], data)
    numbers.byteswap()
    return numbers.tobytes()


def swap_words(data: bytes) -> bytes:
    """Return o[4i .. 4i + 3] = a[4i + 2], a[4i + 3], a[4i], a[4i + 1]: the 16-bit halves of 32-bit words exchanged."""
    rom = bytearray(len(data))
    for j, source in enumerate((2, 3, 0, 1)):
        rom[j::4] = data[source::4]
    return bytes(rom)


def reverse_bytes(data: bytes) -> bytes:
    """Return o[i] = a[n - 1 - i] for n bytes: every address line inverted where n is a power of two."""
    return data[::-1]


def reverse_bits(data: bytes, *, bits: int) -> bytes:
    """Return o with bit k of each unit taken from bit (bits - 1 - k), for units of 8, 16 or 32 bits.

    Over 16 or 32 bits that is each byte reversed and the bytes of the unit swapped, in either byte order.
    """
    turned = data.translate(REVERSED)
    return turned if bits == 8 else swap_bytes(turned, bits=bits)


def data_lines(data: bytes, *, lines: tuple[int, ...], byte_order: str | None) -> bytes:
    """Return o with bit k of each unit taken from bit lines[k] of the same unit of a.

    lines[k] names the input bit that feeds output bit k; the other direction is the inverse permutation. Eight lines
    act on bytes, sixteen on 16-bit words, whose byte order must then be given.
    """
    if len(lines) == 8:
        return data.translate(move_bits(lines, 0, 0))
    first_byte = 0 if byte_order == "little-endian" else 1
    halves = {8 * half: data[first_byte ^ half :: 2] for half in (0, 1)}
    rom = bytearray(len(data))
    for half in (0, 1):
        moved = [halves[source].translate(move_bits(lines, 8 * half, source)) for source in (0, 8)]
        rom[first_byte ^ half :: 2] = merge(*moved)
    return bytes(rom)


def address_lines(data: bytes, *, lines: tuple[int, ...]) -> bytes:
    """Return o[i] = a[s], where bit k of s is bit lines[k] of i, for a piece of 2**n bytes and n lines.

    lines[k] names the line of the ROM file's address that drives line k of the chip; the other direction is the
    inverse permutation.
    """
    source = [lines.index(line) for line in range(len(lines))]  # the line of the chip's address, by that of the output
    low, high = source[:WINDOW], source[WINDOW:]
    offsets = _addresses(low)
    return b"".join([bytes([data[base | offset] for offset in offsets]) for base in _addresses(high)])


def _addresses(lines: Sequence[int]) -> list[int]:
    """Return s for each i from 0: bit lines[k] of s is bit k of i."""
    addresses = [0]
    for line in lines:
        addresses += [address | 1 << line for address in addresses]
    return addresses


def _swap_size(size: int, /, *, bits: int) -> int:
    return whole_units(size, bits // 8)


def _data_lines_size(size: int, /, *, lines: tuple[int, ...], byte_order: str | None) -> int:
    if len(lines) not in (8, 16):
        raise ValueError(f"has {len(lines)} lines; expected 8 or 16")
    if (len(lines) == 16) != (byte_order is not None):
        found = "none" if byte_order is None else f'"{byte_order}"'
        raise ValueError(f"has {len(lines)} lines and byte-order {found}; expected it for 16 lines, and for no others")
    return whole_units(size, len(lines) // 8)


def _address_lines_size(size: int, /, *, lines: tuple[int, ...]) -> int:
    if size != 1 << len(lines):
        raise ValueError(f"has {len(lines)} lines, for {1 << len(lines):,} bytes; the piece has {size:,}")
    return size


def _units_trace(words: str, part: Ranges, /, *, bits: int) -> Ranges:
    return in_units(words, part, bits // 8, bits // 8)


WIRING = (
    Operation(
        name="swap-bytes",
        arguments={"bits": choice(16, 32, 64).described("How wide a unit is.", 16)},
        description="Reverses the bytes of each unit of so many bits.",
        example=16,
        main="bits",
        size=_swap_size,
        apply=swap_bytes,
        trace=_units_trace,
        describe="swap bytes in {bits}-bit units".format,
    ),
    Operation(
        name="swap-words",
        description="Exchanges the 16-bit halves of each 32-bit unit.",
        size=lambda size: whole_units(size, 4),
        apply=swap_words,
        trace=lambda words, part: in_units(words, part, 4, 4),
        describe="swap 16-bit words in 32-bit units".format,
    ),
    Operation(
        name="reverse-bytes",
        description="Puts the bytes of the whole piece into reverse order.",
        size=same_size,
        apply=reverse_bytes,
        trace=lambda words, part: backwards(through(part, words)),
        describe=lambda: "reverse the order of all bytes",
    ),
    Operation(
        name="reverse-bits",
        arguments={"bits": choice(8, 16, 32).described("How wide a unit is.", 8)},
        description="Reverses the bits of each unit of so many bits.",
        example=8,
        main="bits",
        size=_swap_size,
        apply=reverse_bits,
        trace=_units_trace,
        describe="reverse bits in {bits}-bit units".format,
    ),
    Operation(
        name="data-lines",
        arguments={
            "lines": LINES.described("For each line, from 0 on, the line that feeds it.", [7, 6, 5, 4, 3, 2, 1, 0]),
            "byte-order": ENDIAN.otherwise(None).described("How words of 16 lines lie in the piece.", "big-endian"),
        },
        title="a list of data lines, or a table",
        description=(
            "Feeds each data line from another one: 8 lines of bytes, or 16 of words, whose byte order must be given."
        ),
        example=[7, 6, 5, 4, 3, 2, 1, 0],
        main="lines",
        size=_data_lines_size,
        apply=data_lines,
        trace=lambda words, part, *, lines, byte_order: in_units(words, part, len(lines) // 8, len(lines) // 8),
        describe=lambda *, lines, byte_order: f"data lines from {lines}" + (f" ({byte_order})" if byte_order else ""),
    ),
    Operation(
        name="address-lines",
        arguments={"lines": LINES.described("For each line, from 0 on, the line that feeds it.", [1, 0, 2, 3])},
        description="For each address line, from 0 on, the line that feeds it.",
        example=[1, 0, 2, 3],
        main="lines",
        size=_address_lines_size,
        apply=address_lines,
        trace=lambda words, part, *, lines: permuted(through(part, words), lines),
        describe="address lines from {lines}".format,
    ),
)
"""Every change of wiring."""
