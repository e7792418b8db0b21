"""Cyclic redundancy checks of many bytes, a byte at a time."""

from __future__ import annotations

from functools import cache

from pipeline.roms.operations.bits import reverse


def crc(data: bytes, *, bits: int, poly: int, init: int, reflected: bool, xor_out: int) -> int:
    """Return the CRC of ``bits`` bits with the parameters of the usual model (init, reflection, final XOR).

    The register begins as ``init``; bytes enter with their most significant bit first, or, reflected, with their
    least significant bit first, and then the result is reflected too. ``poly`` is the polynomial without its highest
    bit, most significant bit first in either case. The names of such CRCs are used differently by different tools, so
    there are only parameters here.

    Source: R. N. Williams, "A Painless Guide to CRC Error Detection Algorithms" (1993), sections 9, 10, 11 and 15.
    """
    table = _table(bits, poly, reflected)
    if reflected:
        register = reverse(init, bits)
        for byte in data:
            register = table[(register ^ byte) & 0xFF] ^ register >> 8
    else:
        register, shift, mask = init, bits - 8, (1 << bits) - 1
        for byte in data:
            register = table[register >> shift ^ byte] ^ register << 8 & mask
    return register ^ xor_out


@cache
def _table(bits: int, poly: int, reflected: bool) -> tuple[int, ...]:
    """Return the remainder of each byte, followed by zero bits, as it enters the register."""
    if reflected:
        straight = _table(bits, poly, reflected=False)
        return tuple(reverse(straight[reverse(byte, 8)], bits) for byte in range(256))
    remainders = []
    for byte in range(256):
        remainder = byte << bits - 8
        for _ in range(8):
            remainder = remainder << 1 ^ (poly | 1 << bits if remainder >> bits - 1 else 0)
        remainders.append(remainder)
    return tuple(remainders)
