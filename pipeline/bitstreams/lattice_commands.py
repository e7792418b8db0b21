"""The commands of ECP5, MachXO2 and MachXO3 bitstreams, followed from the preamble to the end.

A command is one byte with three bytes of parameters, then its operand. FF between commands is idle and counts for no
CRC. 82 and B8 hold the configuration frames, plain or compressed: parameters are flags (bit 7: a CRC is there; bit 6:
one CRC after all frames, not one after each; bits 3-0: idle bytes after each frame) and a 16-bit number of frames.
B2 holds block memory: the same parameters, 9 bytes a frame, one CRC after all. C2 (user code) has bit 7 likewise.
A CRC is CRC-16/UMTS over everything since 3B or the CRC before, two bytes, highest first.
A compressed frame is first filled up with zero bytes to a multiple of eight; then 0 stands for a zero byte, 100 and
three bits for a byte with one bit set, 101 and three bits for a byte of the dictionary (command 02), 11 and eight bits
for any byte; it is filled up to whole bytes.
Sources: FPGA-TN-02039 (sysCONFIG usage guide), "Configuration bitstream format"; Project Trellis, "Bitstream format",
and the frames of its device table (``devices.json``); measured on files of ecppack and xo2pack 1.4-82.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from pipeline.bitstreams.checksums import crc16_umts
from pipeline.bitstreams.integrity import TRUNCATED, Integrity, after_end, damaged

IDLE = 0xFF
RESET_CRC, USERCODE, DONE, EBR_WRITE = 0x3B, 0xC2, 0x5E, 0xB2
FRAMES, COMPRESSED_FRAMES = 0x82, 0xB8
OPERANDS = {
    0x02: 8, 0x22: 4, 0x3B: 0, 0x46: 0, 0x56: 0, 0x5E: 0, 0x79: 0, 0x7E: 4, 0xA2: 4, 0xB4: 4, 0xC2: 4, 0xCE: 0,
    0xE2: 4, 0xF6: 4,
}  # fmt: skip
"""Commands without frames, and the bytes of their operand."""

FRAME_BYTES = {7562: 74, 9470: 106, 13294: 142, 186: 63, 215: 111, 333: 135, 420: 159, 623: 195, 770: 249, 888: 297}
"""The bytes of a frame, by the number of frames of the device."""

LONGEST_FRAME = 304 * 10 // 8
"""Bytes of the longest compressed frame: 304 bytes of ten bits each."""

EBR_FRAME = 9
HAS_CRC, ONE_CRC, IDLE_BYTES = 0x80, 0x40, 0x0F


PREAMBLE = bytes.fromhex("FFFFBDB3")


class _EndOfFileError(Exception):
    """The file ends within a command."""


class _DamageError(Exception):
    """What a file holds cannot be right; the message says what and where."""


@dataclass(slots=True)
class _Reader:
    """``position``: offset of the next byte. ``crc``: over all that counts so far."""

    data: bytes
    position: int
    crc: int = 0

    def take(self, count: int) -> bytes:
        """Return the next bytes and count them into the CRC."""
        end = self.position + count
        if end > len(self.data):
            raise _EndOfFileError
        taken = self.data[self.position : end]
        self.position, self.crc = end, crc16_umts(taken, self.crc)
        return taken

    def check(self, what: str) -> None:
        """Compare the CRC with the two bytes that come, and begin a new one."""
        at, expected = self.position, self.crc
        if int.from_bytes(self.take(2), "big") != expected:
            raise _DamageError(f"the CRC of {what}, at offset 0x{at:X}, is wrong")
        self.crc = 0


def check_commands(data: bytes, start: int) -> Integrity:
    """Return whether the commands from ``start``, the offset after the preamble, are whole."""
    reader = _Reader(data, start)
    try:
        while _command(reader):
            pass
    except _EndOfFileError:
        return TRUNCATED
    except _DamageError as error:
        return damaged(str(error))
    return after_end(data, reader.position, PREAMBLE)


def _command(reader: _Reader) -> bool:
    """Read one command; return whether others follow."""
    while reader.data[reader.position : reader.position + 1] == b"\xff":
        reader.position += 1
    at = reader.position
    command, flags, high, low = reader.take(4)
    if command in (FRAMES, COMPRESSED_FRAMES):
        _frames(reader, flags, high << 8 | low, compressed=command == COMPRESSED_FRAMES)
    elif command == EBR_WRITE:
        reader.take(EBR_FRAME * (high << 8 | low))
        if flags & HAS_CRC:
            reader.check("the block memory")
    elif command in OPERANDS:
        reader.take(OPERANDS[command])
        if command == RESET_CRC:
            reader.crc = 0
        elif command == USERCODE and flags & HAS_CRC:
            reader.check("the user code")
    else:
        raise _DamageError(f"0x{command:02X} at offset 0x{at:X} is not a command of the format")
    return command != DONE


def _frames(reader: _Reader, flags: int, count: int, *, compressed: bool) -> None:
    size = FRAME_BYTES.get(count)
    if size is None:
        raise _DamageError(f"it announces {count:,} frames, which is the number of no device of its families")
    codes = re.compile(rf"(?:0|10.{{4}}|11.{{8}}){{{-(-size // 8) * 8}}}")
    for number in range(1, count + 1):
        reader.take(_compressed_size(reader, codes) if compressed else size)
        if flags & HAS_CRC and not flags & ONE_CRC:
            reader.check(f"frame {number:,} of {count:,}")
        reader.take(flags & IDLE_BYTES)
    if flags & HAS_CRC and flags & ONE_CRC:
        reader.check("the frames")


def _compressed_size(reader: _Reader, codes: re.Pattern[str]) -> int:
    """Return how many bytes the next compressed frame takes."""
    longest = reader.data[reader.position : reader.position + LONGEST_FRAME]
    found = codes.match(f"{int.from_bytes(longest, 'big'):0{8 * len(longest)}b}")
    if not found:
        raise _EndOfFileError
    return -(-found.end() // 8)
