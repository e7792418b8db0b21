"""Lattice bitstreams that carry a device id: ECP5, MachXO2, MachXO3.

A comment, FF 00 then text ("Part: LFE5U-25F-6CABGA381") up to FF; the preamble FF FF BD B3; then commands of one byte
with three more of information, and what belongs to them, FF between them being idle. 3B resets the check sum, E2 is
followed by the 32-bit id the device must have (big-endian), 22 by a control word, 5E ends the programming; FF follows.
Sources: FPGA-TN-02039 (sysCONFIG usage guide), "Configuration bitstream format"; Project Trellis,
"Bitstream format"; both checked against files of ecppack.
"""

from __future__ import annotations

import re

from pipeline.bitstreams.bitstream import Bitstream, weigh
from pipeline.bitstreams.integrity import TRUNCATED, UNCHECKED, Integrity
from pipeline.bitstreams.lattice_commands import PREAMBLE, check_commands
from pipeline.bitstreams.parts import FpgaPart, read_part
from pipeline.bitstreams.table_lattice import LATTICE

HEAD = 4096
"""Bytes in which the preamble must come."""

COMMENT = re.compile(rb"Part: ?([\w./-]{2,64})")
VERIFY_ID = 0xE2
OPERANDS = {0x3B: 0, 0xE2: 4, 0x22: 4, 0x46: 0, 0x40: 0, 0x02: 8}
"""Commands before the frames, and how many bytes follow their information."""

MAKER = 0x043
DONE = re.compile(rb"\x5e\0{3}(?:\xff|\Z)")
"""The command that ends the programming, with nothing but idle bytes after it."""


def identify_lattice(data: bytes) -> Bitstream | None:
    """Return what an ECP5, MachXO2 or MachXO3 bitstream says, None for anything else."""
    start = data[:HEAD].find(PREAMBLE)
    if start < 0:
        return None
    device_id = _device_id(data[start + len(PREAMBLE) : start + len(PREAMBLE) + HEAD])
    text = read_comment(data[:start])
    if device_id is None and not text.devices:
        return None
    named = weigh(device_id, text)
    return Bitstream(
        maker=LATTICE,
        format="Lattice bitstream",
        size=len(data),
        family=named.family,
        devices=named.devices,
        device_id=device_id,
        id_mask=named.id_mask,
        package=named.package,
        integrity=check_commands(data, start + len(PREAMBLE)) if named.devices or text.devices else _ending(data),
        contradictory=named.contradictory,
    )


def read_comment(comment: bytes) -> FpgaPart:
    """Return the part a comment names; every other word of it is the builder's."""
    found = COMMENT.search(comment)
    return read_part(found[1].decode("ascii", "replace")) if found else FpgaPart()


def _device_id(commands: bytes) -> int | None:
    position = 0
    while position < len(commands):
        command = commands[position]
        if command == 0xFF:
            position += 1
            continue
        if command == VERIFY_ID:
            device_id = int.from_bytes(commands[position + 4 : position + 8], "big")
            return device_id if device_id & 0xFFF == MAKER else None
        if command not in OPERANDS:
            return None
        position += 4 + OPERANDS[command]
    return None


def _ending(data: bytes) -> Integrity:
    """Return what the end of a bitstream for an unknown device tells: its last command must be "program done"."""
    last = max(len(data.rstrip(b"\xff\0")) - 1, 0)
    return UNCHECKED if DONE.match(data, last) else TRUNCATED
