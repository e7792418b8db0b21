"""The check sums that bitstreams carry.

CRC-16/ARC: polynomial 0x8005, lowest bit first, starts at 0, no final XOR; "123456789" gives 0xBB3D (catalogue of CRC
algorithms, from memory). CRC-16/UMTS is the same, highest bit first; it gives 0xFEE8.
"""

from __future__ import annotations

ARC = 0xA001
"""The polynomial 0x8005, lowest bit first."""

REVERSED = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))
"""Every byte with its bits in the other order."""


def shifted(register: int, polynomial: int, bits: int) -> int:
    """Return a check register of a reflected CRC after so many bits 0 were shifted in."""
    for _ in range(bits):
        register = register >> 1 ^ (polynomial if register & 1 else 0)
    return register


ARC_TABLE = tuple(shifted(byte, ARC, 8) for byte in range(256))


def crc16_arc(data: bytes, crc: int = 0) -> int:
    """Return the CRC-16/ARC of bytes; ``crc``: that of the bytes before them."""
    for byte in data:
        crc = crc >> 8 ^ ARC_TABLE[(crc ^ byte) & 0xFF]
    return crc


def crc16_umts(data: bytes, crc: int = 0) -> int:
    """Return the CRC-16/UMTS of bytes; ``crc``: that of the bytes before them."""
    return _reversed(crc16_arc(data.translate(REVERSED), _reversed(crc)))


def _reversed(crc: int) -> int:
    """Return 16 bits in the other order."""
    return REVERSED[crc & 0xFF] << 8 | REVERSED[crc >> 8]
