"""Lattice iCE40 bitstreams, which carry no device id: only the size of the die's memory banks tells what they fit.

A comment, FF 00 then texts ending in NUL, then 00 FF; the word 7E AA 99 7E; then commands of one byte, high digit what
it is, low digit how many bytes follow. 0: action (1 configuration memory follows, 3 block memory follows, 5 reset the
CRC, 6 wake up, 8 start again from the boot address); 2 a CRC over all since its reset, itself included, that must come
to 0 (polynomial 0x1021, highest bit first, starting at 0xFFFF); 4 boot address, its last three bytes; 6 bank width less
one; 7 bank height. A bank is width x height bits and two zero bytes. Source: Project IceStorm, "iCE40 bitstream file
format". That the maker's tools name the part in the comment ("Part: iCE40HX1K-TQ144") is from memory and not met in a
real file.
"""

from __future__ import annotations

from binascii import crc_hqx
from dataclasses import dataclass

from pipeline.bitstreams.bitstream import DEVICE, DIE_CLASS, Bitstream
from pipeline.bitstreams.device import Device
from pipeline.bitstreams.devices import names_of, with_die
from pipeline.bitstreams.integrity import INTACT, TRUNCATED, UNCHECKED, Integrity, after_end, damaged, worst
from pipeline.bitstreams.lattice import read_comment
from pipeline.bitstreams.table_lattice import LATTICE

SYNC = bytes.fromhex("7EAA997E")
HEAD = 4096
"""Bytes in which the word must come."""

ACTION, CRC_CHECK, BOOT_ADDRESS, WIDTH, HEIGHT = 0, 2, 4, 6, 7
OPERANDS = {0: 1, 1: 1, 2: 2, 4: 4, 5: 1, 6: 2, 7: 2, 8: 2, 9: 2}
"""Commands, and how many bytes follow them."""

MEMORIES = (1, 3)
RESET_CRC, WAKE_UP, START_AGAIN = 5, 6, 8
MOST_COMMANDS = 10_000
MOST_STARTS = 8
TABLE_ENTRY, TABLE = 32, 160
"""Bytes of an entry of the table of boot addresses, and of all five."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandWalk:
    """``die``: width x height of the first bank, "" if none came. ``end``: offset after the wake-up command.

    ``again``: where the device starts again, None if it does not. ``integrity``: whether the image is whole.
    """

    die: str = ""
    end: int = 0
    again: int | None = None
    integrity: Integrity = TRUNCATED


@dataclass(slots=True)
class Commands:
    """Commands as they are followed. ``crc_from``: offset after the reset of the CRC, None where none came.

    ``width``, ``height``: of a bank in bits, as set last; ``die``: of the first. ``address``: where to start again.
    """

    data: bytes
    position: int
    width: int = 0
    height: int = 0
    die: str = ""
    address: int | None = None
    crc_from: int | None = None
    has_crc: bool = False

    def follow(self) -> CommandWalk | None:
        """Follow one command; return what came of the image where it is the last."""
        at, first = self.position, self.data[self.position]
        command, count = first >> 4, first & 15
        value = int.from_bytes(self.data[at + 1 : at + 1 + count], "big")
        if OPERANDS.get(command) != count:
            return self._damaged(f"0x{first:02X} at offset 0x{at:X} is not a command of the format")
        self.position += 1 + count
        if self.position > len(self.data):
            return None
        if command == ACTION:
            return self._act(at, value)
        if command == WIDTH:
            self.width = value + 1
        elif command == HEIGHT:
            self.height = value
        elif command == BOOT_ADDRESS:
            self.address = value & 0xFF_FFFF
        elif command == CRC_CHECK and self.crc_from is not None:
            if crc_hqx(self.data[self.crc_from : self.position], 0xFFFF):
                return self._damaged(f"the CRC at offset 0x{at:X} is wrong")
            self.has_crc = True
        return None

    def _act(self, at: int, action: int) -> CommandWalk | None:
        if action == RESET_CRC:
            self.crc_from = self.position
        elif action in MEMORIES:
            self.die = self.die or f"{self.width}x{self.height}"
            self.position += self.width * self.height // 8 + 2
            if any(self.data[self.position - 2 : self.position]):
                return self._damaged(f"the bank at offset 0x{at:X} does not end in two zero bytes")
        elif action == WAKE_UP:
            return CommandWalk(die=self.die, end=self.position, integrity=INTACT if self.has_crc else UNCHECKED)
        elif action == START_AGAIN:
            return CommandWalk(die=self.die, again=self.address)
        return None

    def _damaged(self, what: str) -> CommandWalk:
        return CommandWalk(die=self.die, integrity=damaged(what))


def identify_ice40(data: bytes) -> Bitstream | None:
    """Return what an iCE40 bitstream says, None for anything else.

    A file of several images begins with a table of boot addresses; what it starts first speaks for it.
    """
    start = data[:HEAD].find(SYNC)
    if start < 0:
        return None
    found = _image(data, start)
    dies = with_die(LATTICE, found.die)
    if not dies:
        return None
    comment = read_comment(data[:start])
    agreeing = tuple(device for device in comment.devices if device in dies)
    return Bitstream(
        maker=LATTICE,
        format="iCE40 bitstream",
        size=len(data),
        family=dies[0].family,
        devices=names_of(agreeing or dies),
        package=comment.package if agreeing else "",
        integrity=_integrity(data, start, found),
        contradictory="" if agreeing else _conflict(comment.devices, dies),
        precision=DEVICE if agreeing else DIE_CLASS,
    )


def _conflict(devices: tuple[Device, ...], dies: tuple[Device, ...]) -> str:
    if not devices:
        return ""
    return f"its comment names {' or '.join(names_of(devices))}, its data are for {' or '.join(names_of(dies))}"


def _image(data: bytes, start: int) -> CommandWalk:
    """Return the image that the device loads when it starts at an offset where a word of synchronization is."""
    found = _walk(data, start)
    for _ in range(MOST_STARTS):
        if found.again is None:
            break
        sync = data[found.again : found.again + HEAD].find(SYNC)
        found = CommandWalk() if sync < 0 else _walk(data, found.again + sync)
    return found


def _integrity(data: bytes, start: int, found: CommandWalk) -> Integrity:
    """Return whether the image, or every image of a table of boot addresses, is whole."""
    table = [entry for entry in range(start, start + TABLE, TABLE_ENTRY) if data.startswith(SYNC, entry)]
    if _walk(data, start).again is not None:
        images = [_image(data, entry) for entry in table]
        rest = after_end(data, max(image.end for image in images), SYNC)
        return worst((*(image.integrity for image in images), rest))
    if found.integrity.truncated or found.integrity.damage:
        return found.integrity
    return worst((found.integrity, after_end(data, found.end, SYNC)))


def _walk(data: bytes, start: int) -> CommandWalk:
    """Follow the commands after the word of synchronization at ``start``."""
    commands = Commands(data, start + len(SYNC))
    for _ in range(MOST_COMMANDS):
        if commands.position >= len(data):
            break
        found = commands.follow()
        if found:
            return found
    return CommandWalk(die=commands.die)
