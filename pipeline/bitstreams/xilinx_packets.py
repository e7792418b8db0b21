"""The configuration packets of Xilinx FPGAs, after the sync word AA 99 55 66.

32-bit families (Spartan-3 on, 7 series, UltraScale): a type 1 header has bits 31-29 001, 28-27 operation (2 writes),
26-13 register, 10-0 number of words that follow; type 2: 010, operation, 26-0 number of words for the register before.
Spartan-6: the same in 16-bit words: 15-13 type, 12-11 operation, 10-5 register, 4-0 number of words; a type 2 header
is followed by a 32-bit number of words. The id is written to register 12 (14 in Spartan-3 and Spartan-6) before the
frame data, and the device stops when it is not its own. The command DESYNC (13) ends the configuration.
Sources: UG332, UG380 (tables 5-24 to 5-30), UG470 chapter 5, UG570 chapter 9.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

WRITE = 2
DESYNC = 13
MAKER = 0x093
SPARTAN_3_ID = 14
MOST_WORDS = 500_000
"""Headers and fillers looked at before the end is given up; compressed files of the largest devices have more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Registers:
    """The registers of a word width that matter: ``ids`` (by family), ``frames`` (FDRI) and ``command``."""

    ids: tuple[int, ...]
    frames: int
    command: int


WIDE = Registers(ids=(12, SPARTAN_3_ID), frames=2, command=4)
NARROW = Registers(ids=(14,), frames=3, command=5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Write:
    """One write: its register, the value (0 where it is longer than an id), and the offset after it."""

    register: int
    value: int
    end: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Walk:
    """``device_id``: the first one written. ``end``: offset after DESYNC; None where it was not met.

    ``ran_out``: the data ended while packets were still to come.
    """

    device_id: int | None = None
    end: int | None = None
    ran_out: bool = False


def walk(data: bytes, start: int, *, to_end: bool) -> Walk:
    """Return what the packets from ``start`` on hold: up to the id, or up to DESYNC (``to_end``).

    The width of the words is not written anywhere: it is the one in which an id is found.
    """
    wide = _follow(_writes_32(data, start), WIDE, len(data), to_end=to_end)
    if wide.device_id is not None:
        return wide
    return _follow(_writes_16(data, start), NARROW, len(data), to_end=to_end)


def _follow(writes: Iterator[Write | None], registers: Registers, size: int, *, to_end: bool) -> Walk:
    """Return what the writes amount to; frames before an id make them no configuration."""
    found = None
    for write in writes:
        if write is None or write.end > size:
            return Walk(device_id=found, ran_out=True)
        if found is None and write.register in registers.ids and write.value & 0xFFF == MAKER:
            found = write.value
            if not to_end:
                break
        if found is None and write.register == registers.frames:
            break
        if write.register == registers.command and write.value == DESYNC:
            return Walk(device_id=found, end=write.end)
    return Walk(device_id=found)


def _writes_32(data: bytes, start: int) -> Iterator[Write | None]:
    """Yield the writes of 32-bit words, and None where the data run out; stop at a word that is no header."""
    position, register, check_sum = start, 0, 0
    for _ in range(MOST_WORDS):
        word = int.from_bytes(data[position : position + 4], "big")
        kind, operation = word >> 29, word >> 27 & 3
        if position + 4 > len(data):
            yield None
        if position + 4 > len(data) or (kind not in (1, 2) and word not in (0, 0xFFFF_FFFF)):
            return
        position += 4
        if kind not in (1, 2):
            continue
        register, count = (word >> 13 & 0x3FFF, word & 0x7FF) if kind == 1 else (register, word & 0x7FF_FFFF)
        if operation != WRITE:
            continue
        value = int.from_bytes(data[position : position + 4], "big") if count == 1 else 0
        if register == SPARTAN_3_ID and value & 0xFFF == MAKER:
            check_sum = 4  # Spartan-3 has a word of check sum after the frames
        position += 4 * count + (check_sum if register == WIDE.frames and count else 0)
        yield Write(register=register, value=value, end=position)


def _writes_16(data: bytes, start: int) -> Iterator[Write | None]:
    """Yield the writes of 16-bit words, and None where the data run out; stop at a word that is no header."""
    position = start
    for _ in range(MOST_WORDS):
        word = int.from_bytes(data[position : position + 2], "big")
        kind, operation, register, count = word >> 13, word >> 11 & 3, word >> 5 & 63, word & 31
        if position + 2 > len(data):
            yield None
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
        yield Write(register=register, value=value, end=position)
