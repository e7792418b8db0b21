"""CRC-16 of many bytes in plain Python."""

from __future__ import annotations

import operator

from pipeline.roms.operations.bits import REVERSED, combine, reverse


def crc16(data: bytes, *, poly: int, init: int, reflected: bool, xor_out: int) -> int:
    """Return the 16-bit CRC with the parameters of the usual model (init, reflection of input and output, final XOR).

    The register begins as ``init``; bytes enter with their most significant bit first, or, reflected, with their
    least significant bit first, and then the result is reflected too. The names of such CRCs are used differently by
    different tools, so there are only parameters here.

    The bytes, with two zero bytes behind them and ``init`` XORed into the first two, are a polynomial over GF(2); the
    CRC is its remainder. It is found by folding: neighbours are put together, pair by pair, until one is left, which
    takes a dozen fast operations on whole strings of bytes in place of a slow one for each byte.

    Source: R. N. Williams, "A Painless Guide to CRC Error Detection Algorithms" (1993), sections 8, 10 and 15.
    """
    message = bytearray((data.translate(REVERSED) if reflected else data) + bytes(2))
    message[0] ^= init >> 8
    message[1] ^= init & 0xFF
    remainder = _remainder(bytes(message), poly)
    return (reverse(remainder, 16) if reflected else remainder) ^ xor_out


def _remainder(message: bytes, poly: int) -> int:
    """Return the message modulo x**16 + poly. ``high`` and ``low`` hold the remainder of each segment, half by half."""
    message = bytes(len(message) % 2) + message
    high, low = message[0::2], message[1::2]
    factor = poly  # x to the power of a segment's bits, which are 16 at first
    while len(low) > 1:
        if len(low) % 2:
            high, low = b"\0" + high, b"\0" + low
        images = [_multiply(1 << bit, factor, poly) for bit in range(16)]
        left_high, left_low = high[0::2], low[0::2]
        high = _fold(left_high, left_low, high[1::2], [image >> 8 for image in images])
        low = _fold(left_high, left_low, low[1::2], [image & 0xFF for image in images])
        factor = _multiply(factor, factor, poly)
    return high[0] << 8 | low[0]


def _fold(high: bytes, low: bytes, right: bytes, images: list[int]) -> bytes:
    """Return one half of left * factor + right, where ``images`` are that half of each bit's product."""
    products = [data.translate(_linear(images[first : first + 8])) for data, first in ((low, 0), (high, 8))]
    return combine(operator.xor, *products, right)


def _linear(images: list[int]) -> bytes:
    """Return the table that maps a byte to the XOR of the images of its set bits."""
    values = [0]
    for image in images:
        values += [value ^ image for value in values]
    return bytes(values)


def _multiply(a: int, b: int, poly: int) -> int:
    """Return the product of two polynomials modulo x**16 + poly, bit k being the coefficient of x**k."""
    product = 0
    for bit in range(15, -1, -1):
        product = product << 1 ^ ((poly | 1 << 16) if product >> 15 & 1 else 0)
        if b >> bit & 1:
            product ^= a
    return product
