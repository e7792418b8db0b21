"""The configuration packets of Xilinx FPGAs, after the sync word AA 99 55 66.

32-bit families (Spartan-3 on, 7 series, UltraScale): a type 1 header has bits 31-29 001, 28-27 operation (0 none, 2
writes), 26-13 register, 10-0 number of words that follow; type 2: 010, operation, 26-0 number of words for the register
before. Spartan-6: the same in 16-bit words: 15-13 type, 12-11 operation, 10-5 register, 4-0 number of words; a type 2
header is followed by a 32-bit number of words, and those by a 32-bit check sum. The id is written to register 12 (14 in
Spartan-3 and Spartan-6) before the frame data, and the device stops when it is not its own. The command DESYNC (13)
ends the configuration. Sources: UG332, UG380 (tables 5-24 to 5-30), UG470 chapter 5, UG570 chapter 9.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

WRITE = 2
MAKER = 0x093
SPARTAN_3_ID = 14
MOST_WORDS = 10_000
"""Headers and fillers looked at before an id is no longer expected; it comes among the first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Registers:
    """The registers of a word width that matter: ``ids`` (by family) and ``frames`` (FDRI)."""

    ids: tuple[int, ...]
    frames: int


WIDE = Registers(ids=(12, SPARTAN_3_ID), frames=2)
NARROW = Registers(ids=(14,), frames=3)


@dataclass(frozen=True, slots=True, kw_only=True)
class PacketFindings:
    """``device_id``: the first one written; ``narrow``: the words have 16 bits; ``register``: where it was written."""

    device_id: int
    narrow: bool
    register: int


def find_id(data: bytes, start: int) -> PacketFindings | None:
    """Return the id that the packets from ``start`` on write; None where none comes before the frames.

    The width of the words is not written anywhere: it is the one in which an id is found.
    """
    for narrow, writes, registers in ((False, writes_32(data, start), WIDE), (True, writes_16(data, start), NARROW)):
        for register, value in writes:
            if register in registers.ids and value & 0xFFF == MAKER:
                return PacketFindings(device_id=value, narrow=narrow, register=register)
            if register == registers.frames:
                break
    return None


def writes_32(data: bytes, start: int) -> Iterator[tuple[int, int]]:
    """Yield (register, value) of the writes in 32-bit words; the value is 0 where it is not one word."""
    position, register = start, 0
    for _ in range(MOST_WORDS):
        word = int.from_bytes(data[position : position + 4], "big")
        kind, operation = word >> 29, word >> 27 & 3
        if position + 4 > len(data) or (kind not in (1, 2) and word not in (0, 0xFFFF_FFFF)):
            return
        position += 4
        if kind not in (1, 2):
            continue
        register, count = (word >> 13 & 0x3FFF, word & 0x7FF) if kind == 1 else (register, word & 0x7FF_FFFF)
        if operation != WRITE:
            continue
        value = int.from_bytes(data[position : position + 4], "big") if count == 1 else 0
        position += 4 * count
        if position > len(data):
            return
        yield register, value


def writes_16(data: bytes, start: int) -> Iterator[tuple[int, int]]:
    """Yield (register, value) of the writes in 16-bit words; the value is 0 where it is longer than two words."""
    position = start
    for _ in range(MOST_WORDS):
        word = int.from_bytes(data[position : position + 2], "big")
        kind, operation, register, count = word >> 13, word >> 11 & 3, word >> 5 & 63, word & 31
        if position + 2 > len(data) or (kind not in (1, 2) and word not in (0, 0xFFFF)):
            return
        position += 2
        if kind not in (1, 2) or operation != WRITE:
            continue
        if kind == 2:
            count = int.from_bytes(data[position : position + 4], "big") + 2  # two words of check sum follow
            position += 4
        value = int.from_bytes(data[position : position + 2 * count], "big") if count in (1, 2) else 0
        position += 2 * count
        if position > len(data):
            return
        yield register, value
