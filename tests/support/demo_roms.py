"""The demo's ROM files, arranged by hand with numpy (and intelhex for a text): what the manifests' steps must come to.

Nothing here knows the steps or the code that runs them. A ROM file is written as its parts in order of address;
interleaving is numpy's own stacking: the lanes are columns, read row by row.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from io import StringIO

import intelhex
import numpy as np

K = 1024
Chips = Mapping[str, bytes]


def blank(size: int, value: int = 0xFF) -> bytes:
    """Return a run of one byte."""
    return np.full(size, value, np.uint8).tobytes()


def bytewise(*lanes: bytes) -> bytes:
    """Return lanes interleaved by bytes."""
    return np.stack([np.frombuffer(lane, np.uint8) for lane in lanes], axis=1).tobytes()


def wordwise(*lanes: bytes) -> bytes:
    """Return lanes interleaved by units of two bytes."""
    return np.stack([np.frombuffer(lane, np.uint16) for lane in lanes], axis=1).tobytes()


def from_text(text: bytes, start: int, size: int) -> bytes:
    """Return what intelhex reads from the text of an Intel HEX file; what is not there is erased."""
    dump = intelhex.IntelHex(StringIO(text.decode("ascii")))
    dump.padding = 0xFF
    return bytes(dump.tobinstr(start=start, size=size))


def moth(c: Chips) -> bytes:
    """Return MOTH.ROM: chips at fixed addresses, gaps filled."""
    low = c["4t"] + c["4u"] + c["4v"] + blank(6 * K) + c["2a"] + blank(2 * K) + c["5p"]
    return low + blank(32 * K - len(low) - 32) + c["1c"]


def turnip(c: Chips) -> bytes:
    """Return TURNIP.ROM: chips one after the other, the last from the text of its dump."""
    return c["1a"] + c["1b"] + c["1c"] + c["1d"] + c["5p"] + from_text(c["5q"], 0x2800, 2 * K)


def ladder(c: Chips) -> bytes:
    """Return LADDER.ROM: an even and an odd chip, a zero window, a gap before the colours."""
    low = bytewise(c["3k"], c["3y"]) + blank(4 * K, 0) + c["4n"]
    return low + blank(0x7F00 - len(low)) + c["12l"]


def teapot(c: Chips) -> bytes:
    """Return TEAPOT.ROM: four lanes, then two chips."""
    return bytewise(c["a1"], c["a2"], c["a3"], c["a4"]) + c["small-1"] + c["small-2"]


def night(c: Chips) -> bytes:
    """Return NIGHT.ROM: the program, then eight lanes."""
    return c["2c"] + bytewise(*(c[f"u{number}"] for number in range(1, 9)))


def gravel(c: Chips) -> bytes:
    """Return GRAVEL.ROM: two lanes of 16-bit words, then the letters."""
    return wordwise(c["10r"], c["11r"]) + c["8e"]


def velvet(c: Chips) -> bytes:
    """Return Velvet Cistern.rom: four lanes of 16-bit words, then two of bytes."""
    return wordwise(c["v1"], c["v2"], c["v3"], c["v4"]) + bytewise(c["9w"], c["9x"])


def orbit(c: Chips) -> bytes:
    """Return ORBIT.ROM: eight literal bytes, a gap of zeros, eight lanes of words, a padded chip."""
    head = b"ORBIT" + bytes([0, 1, 3])
    words = wordwise(*(c[f"k{number}"] for number in range(1, 9)))
    return head + blank(4 * K - 8, 0) + words + c["4b"] + blank(2 * K)


def signal_box(c: Chips) -> bytes:
    """Return Signal Box Seven.rom: lower half of one chip, upper halves of two."""
    return c["7s"][: 4 * K] + c["8s"][4 * K :] + c["9s"][8 * K :]


def marble(c: Chips) -> bytes:
    """Return MARBLE.ROM: one chip as it is, one seen twice, one seen four times."""
    return c["row-1"] + c["row-2"] * 2 + c["row-3"] * 4


def kite(c: Chips) -> bytes:
    """Return KITE.ROM: each chip in a larger slot, the rest of it filled."""
    return c["q1"] + blank(2 * K) + c["q2"] + blank(2 * K) + c["row-2"] + blank(4 * K, 0)


def hedge_first(c: Chips) -> bytes:
    """Return HEDGECEN.ROM: one large chip and two small ones."""
    return c["large"] + c["small-1"] + c["small-2"]


def hedge(c: Chips) -> bytes:
    """Return HEDGE.ROM: a small board stands in for 1 KiB of the program, and three bytes are corrected."""
    rom = bytearray(hedge_first(c))
    rom[0x3000:0x3400] = c["sub"]
    rom[0x0FF0:0x0FF3] = b"\xc3\x00\x30"
    return bytes(rom)


def walrus(c: Chips) -> bytes:
    """Return WALRUS.ROM: halves of two chips in turn, a small chip seen four times, the sound."""
    low = bytewise(c["5w"][: 4 * K], c["5x"][4 * K :]) + c["row-2"] * 4
    return low + blank(0x3000 - len(low)) + c["row-3"] + blank(2 * K)


def pickle_program(c: Chips) -> bytes:
    """Return PICKLE.PRG: two banks, each of two chips in a row, interleaved."""
    return bytewise(c["t1"] + c["t2"], c["t3"] + c["t4"])


def pickle_pictures(c: Chips) -> bytes:
    """Return PICKLE.GFX: four lanes, then the colours."""
    return bytewise(c["g1"], c["g2"], c["g3"], c["g4"]) + c["12l"]


def drizzle(c: Chips) -> bytes:
    """Return DRIZZLE.MRW: the two chips of the cartridge, the upper one first."""
    return c["high"] + c["low"]


ROMS: Mapping[tuple[str, str], Callable[[Chips], bytes]] = {
    ("moth-pantry", "MOTH.ROM"): moth,
    ("turnip-tithe", "TURNIP.ROM"): turnip,
    ("ladder-lending", "LADDER.ROM"): ladder,
    ("teapot-regatta", "TEAPOT.ROM"): teapot,
    ("night-postman", "NIGHT.ROM"): night,
    ("gravel-derby", "GRAVEL.ROM"): gravel,
    ("velvet-cistern", "Velvet Cistern.rom"): velvet,
    ("orbit-bakery", "ORBIT.ROM"): orbit,
    ("signal-box-seven", "Signal Box Seven.rom"): signal_box,
    ("marble-ferry", "MARBLE.ROM"): marble,
    ("marble-ferry-at-night", "MARBLEFE.ROM"): marble,
    ("kite-quarrel", "KITE.ROM"): kite,
    ("hedge-census", "HEDGE.ROM"): hedge,
    ("hedge-census-first-series", "HEDGECEN.ROM"): hedge_first,
    ("walrus-ballot", "WALRUS.ROM"): walrus,
    ("pickle-tribunal", "PICKLE.PRG"): pickle_program,
    ("pickle-tribunal", "PICKLE.GFX"): pickle_pictures,
    ("drizzle-league", "DRIZZLE.MRW"): drizzle,
}
"""Every ROM file of the demo by title and path."""
