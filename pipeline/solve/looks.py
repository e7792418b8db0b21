"""What bytes look like that nothing explains, for people."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from itertools import pairwise
from typing import Literal

from pipeline.model.text import counted
from pipeline.roms.operations.arguments import show_hex
from pipeline.solve.atoms import AtomSource

LONGEST_PERIOD = 64
ORDERS: tuple[Literal["little"], Literal["big"]] = ("little", "big")


def period(data: bytes) -> int:
    """Return the shortest period with which bytes repeat, at least twice; 0 where they do not."""
    for length in range(1, min(LONGEST_PERIOD, len(data) // 2) + 1):
        if data[:-length] == data[length:]:
            return length
    return 0


def looks(data: bytes, sources: Sequence[AtomSource]) -> str:
    """Return what bytes look like: "0xFF all over", "a counter", "text", "noise"."""
    length = period(data)
    if length == 1:
        return f"0x{data[0]:02X} all over"
    if length:
        return f"{show_hex(data[:length])} repeated"
    steps = {(b - a) & 0xFF for a, b in pairwise(data[:4096])}
    if len(steps) == 1:
        return f"a counter in steps of {steps.pop()}"
    for order in ORDERS:
        words = [int.from_bytes(data[n : n + 2], order) for n in range(0, min(len(data), 4096) - 1, 2)]
        steps = {(b - a) & 0xFFFF for a, b in pairwise(words)}
        if len(words) > 3 and len(steps) == 1:
            return f"a 16-bit {order}-endian counter in steps of {steps.pop()}"
    near = _nearest(data, sources)
    if near:
        return near
    printable = sum(32 <= value < 127 or value in (9, 10, 13) for value in data[:4096])
    if printable >= 0.9 * min(len(data), 4096):
        return f'text, beginning "{data[:24].decode("ascii", "replace")}"'.replace("\n", " ").replace("\r", " ")
    if len(data) >= 256:
        packed = len(zlib.compress(data[: 1 << 16], 6)) / min(len(data), 1 << 16)
        return "noise, or packed or encrypted" if packed > 0.95 else f"data or code, {len(set(data))} different bytes"
    return counted(len(set(data)), "different byte")


def _nearest(data: bytes, sources: Sequence[AtomSource]) -> str:
    """Return "like chip x but for 12 bytes" where a chip of the same size has most bytes in common."""
    best = (len(data) // 4, "")
    for source in sources:
        if len(source.data) == len(data) and not source.then:
            differing_bytes = sum(a != b for a, b in zip(data, source.data, strict=True))
            best = min(best, (differing_bytes, source.chip))
    return f'like chip "{best[1]}" but for {counted(best[0], "byte")}' if best[1] else ""
