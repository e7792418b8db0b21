"""Fast work on the bits of many bytes at once, in plain Python: tables for one byte, long integers for two."""

from __future__ import annotations

import operator
from collections.abc import Callable
from functools import lru_cache, reduce

CHUNK = 1 << 16
"""Bytes turned into one integer at a time; more would fall out of the processor's cache."""


def table(change: Callable[[int], int]) -> bytes:
    """Return the 256-byte table for ``bytes.translate`` that changes every byte by the function."""
    return bytes(change(value) & 0xFF for value in range(256))


def reverse(value: int, bits: int) -> int:
    """Return the value with its bits in reverse order: bit k goes to bit (bits - 1 - k)."""
    return int(f"{value:0{bits}b}"[::-1], 2)


REVERSED = table(lambda value: reverse(value, 8))


@lru_cache(maxsize=256)
def move_bits(lines: tuple[int, ...], first_out: int, first_in: int) -> bytes:
    """Return the table for one output byte and one input byte of a wider permutation.

    Output bit k takes input bit ``lines[k]``; the bytes hold output bits ``first_out`` and up, input bits ``first_in``
    and up, eight of each.
    """
    pairs = [(k, line - first_in) for k, line in enumerate(lines[first_out : first_out + 8])]
    inside = [(k, line) for k, line in pairs if 0 <= line < 8]
    return table(lambda value: sum((value >> line & 1) << k for k, line in inside))


def combine(operation: Callable[[int, int], int], *parts: bytes) -> bytes:
    """Return equally long parts combined bit by bit: ``combine(operator.xor, a, b)``."""
    length = len(parts[0])
    chunks = []
    for start in range(0, length, CHUNK):
        end = min(start + CHUNK, length)
        numbers = [int.from_bytes(part[start:end], "little") for part in parts]
        chunks.append(reduce(operation, numbers).to_bytes(end - start, "little"))
    return b"".join(chunks)


def merge(*parts: bytes) -> bytes:
    """Return equally long parts with their set bits put together."""
    return combine(operator.or_, *parts)
