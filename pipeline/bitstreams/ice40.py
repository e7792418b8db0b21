"""Lattice iCE40 bitstreams, which carry no device id: only the size of the die's memory banks tells what they fit.

A comment, FF 00 then texts ending in NUL, then 00 FF; the word 7E AA 99 7E; then commands of one byte, high digit what
it is, low digit how many bytes follow. 0: action (1 configuration memory follows, 3 block memory follows, 6 wake up,
8 start again from the boot address); 4 boot address, its last three bytes; 6 bank width less one; 7 bank height. A bank
is width x height bits and two zero bytes. Source: Project IceStorm, "iCE40 bitstream file format". That the maker's
tools name the part in the comment ("Part: iCE40HX1K-TQ144") is from memory and not met in a real file.
"""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.bitstreams.bitstream import DEVICE, DIE_CLASS, Bitstream
from pipeline.bitstreams.device import Device
from pipeline.bitstreams.devices import names_of, with_die
from pipeline.bitstreams.lattice import read_comment
from pipeline.bitstreams.table_lattice import LATTICE

SYNC = bytes.fromhex("7EAA997E")
HEAD = 4096
"""Bytes in which the word must come."""

ACTION, BOOT_ADDRESS, WIDTH, HEIGHT = 0, 4, 6, 7
OPERANDS = {0: 1, 1: 1, 2: 2, 4: 4, 5: 1, 6: 2, 7: 2, 8: 2, 9: 2}
"""Commands, and how many bytes follow them."""

MEMORIES = (1, 3)
WAKE_UP, START_AGAIN = 6, 8
MOST_COMMANDS = 10_000
MOST_STARTS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Walk:
    """``die``: width x height of the first bank, "" if none came; ``whole``: the wake-up command was met.

    ``again``: where the device starts again, None if it does not. A command that is none ends the walk.
    """

    die: str = ""
    whole: bool = False
    again: int | None = None


def identify_ice40(data: bytes) -> Bitstream | None:
    """Return what an iCE40 bitstream says, None for anything else.

    A file of several images begins with a table of boot addresses; what it starts first speaks for it.
    """
    start = data[:HEAD].find(SYNC)
    if start < 0:
        return None
    found = _walk(data, start + len(SYNC))
    for _ in range(MOST_STARTS):
        if found.again is None:
            break
        sync = data[found.again : found.again + HEAD].find(SYNC)
        found = Walk() if sync < 0 else _walk(data, found.again + sync + len(SYNC))
    dies = with_die(LATTICE, found.die)
    if not dies:
        return None
    told = read_comment(data[:start])
    agreeing = tuple(device for device in told.devices if device in dies)
    return Bitstream(
        maker=LATTICE,
        format="iCE40 bitstream",
        size=len(data),
        family=dies[0].family,
        devices=names_of(agreeing or dies),
        package=told.package if agreeing else "",
        truncated=not found.whole,
        contradictory="" if agreeing else _conflict(told.devices, dies),
        precision=DEVICE if agreeing else DIE_CLASS,
    )


def _conflict(told: tuple[Device, ...], dies: tuple[Device, ...]) -> str:
    if not told:
        return ""
    return f"its comment names {' or '.join(names_of(told))}, its data are for {' or '.join(names_of(dies))}"


def _walk(data: bytes, position: int) -> Walk:
    width = height = 0
    die = ""
    address = None
    for _ in range(MOST_COMMANDS):
        if position >= len(data):
            break
        command, count = data[position] >> 4, data[position] & 15
        value = int.from_bytes(data[position + 1 : position + 1 + count], "big")
        if OPERANDS.get(command) != count:
            return Walk(die=die)
        position += 1 + count
        if command == WIDTH:
            width = value + 1
        elif command == HEIGHT:
            height = value
        elif command == BOOT_ADDRESS:
            address = value & 0xFF_FFFF
        elif command == ACTION and value in MEMORIES:
            die = die or f"{width}x{height}"
            position += width * height // 8 + 2
        elif command == ACTION and value == WAKE_UP:
            return Walk(die=die, whole=True)
        elif command == ACTION and value == START_AGAIN:
            return Walk(die=die, again=address)
    return Walk(die=die)
