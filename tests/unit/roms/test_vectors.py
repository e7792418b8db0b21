"""Published check values of sums and CRCs."""

from __future__ import annotations

import binascii
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.roms.operations.bits import total
from pipeline.roms.operations.crc import crc16
from tests.unit.roms.workshop import changed

TEXT = b"123456789"
CRC16 = [
    # name, poly, init, reflected, final XOR, value of "123456789"
    ("ARC", 0x8005, 0x0000, True, 0x0000, 0xBB3D),
    ("MODBUS", 0x8005, 0xFFFF, True, 0x0000, 0x4B37),
    ("USB", 0x8005, 0xFFFF, True, 0xFFFF, 0xB4C8),
    ("UMTS", 0x8005, 0x0000, False, 0x0000, 0xFEE8),
    ("IBM-3740", 0x1021, 0xFFFF, False, 0x0000, 0x29B1),
    ("XMODEM", 0x1021, 0x0000, False, 0x0000, 0x31C3),
    ("SPI-FUJITSU", 0x1021, 0x1D0F, False, 0x0000, 0xE5CC),
    ("GENIBUS", 0x1021, 0xFFFF, False, 0xFFFF, 0xD64E),
    ("KERMIT", 0x1021, 0x0000, True, 0x0000, 0x2189),
    ("IBM-SDLC", 0x1021, 0xFFFF, True, 0xFFFF, 0x906E),
    ("MCRF4XX", 0x1021, 0xFFFF, True, 0x0000, 0x6F91),
    ("DNP", 0x3D65, 0x0000, True, 0xFFFF, 0xEA82),
    ("T10-DIF", 0x8BB7, 0x0000, False, 0x0000, 0xD0DB),
    ("DECT-R", 0x0589, 0x0000, False, 0x0001, 0x007E),
]
"""Source: G. Cook, "Catalogue of parametrised CRC algorithms", 16-bit part (from memory); E5CC, 29B1 and 31C3 are also
what srec_cat 1.64 gives, 31C3 what binascii.crc_hqx gives, 906E the value of ITU-T X.25 in the field's common use."""


@pytest.mark.parametrize(("poly", "init", "reflected", "xor_out", "value"), [row[1:] for row in CRC16],
                         ids=[row[0] for row in CRC16])  # fmt: skip
def test_crc_16_of_the_usual_text(poly: int, init: int, reflected: bool, xor_out: int, value: int) -> None:
    assert crc16(TEXT, poly=poly, init=init, reflected=reflected, xor_out=xor_out) == value
    change = {"at": 9, "poly": poly, "init": init, "reflected": reflected, "xor-out": xor_out, "size": 9}
    for order in ("little", "big"):
        field = {"crc-16": change | {"byte-order": f"{order}-endian"}}
        assert changed(TEXT + b"\xa5\xa5", field) == TEXT + value.to_bytes(2, "big" if order == "big" else "little")


def bit_by_bit(data: bytes, poly: int, init: int, reflected: bool) -> int:
    """Return the CRC by the shift register itself: one bit at a time (ITU-T V.41, clause 2)."""
    register = init
    for byte in data:
        for bit in range(8) if reflected else range(7, -1, -1):
            out = register >> 15 ^ byte >> bit & 1
            register = register << 1 & 0xFFFF ^ poly * out
    return int(f"{register:016b}"[::-1], 2) if reflected else register


@given(st.binary(max_size=70), st.integers(0, 0xFFFF), st.integers(0, 0xFFFF), st.booleans())
def test_crc_16_is_what_the_shift_register_gives(data: bytes, poly: int, init: int, reflected: bool) -> None:
    assert crc16(data, poly=poly, init=init, reflected=reflected, xor_out=0) == bit_by_bit(data, poly, init, reflected)


@given(st.binary(max_size=600), st.integers(0, 0xFFFF))
def test_crc_16_of_polynomial_1021_is_what_binascii_gives(data: bytes, init: int) -> None:
    ours = crc16(data, poly=0x1021, init=init, reflected=False, xor_out=0)
    assert ours == binascii.crc_hqx(data, init)


@pytest.mark.parametrize(("data", "value"), [(TEXT, "CBF43926"), (bytes(32), "190A55AD")])
def test_crc_32(data: bytes, value: str) -> None:
    """Source: ITU-T V.42, 8.1.1.6.2; RFC 1952, section 8 (value of "123456789")."""
    field = {"crc-32": {"at": len(data), "byte-order": "big-endian"}}
    assert changed(data + b"\1\2\3\4", field) == data + bytes.fromhex(value)


@pytest.mark.parametrize("data", [b"", b"\xff" * 256, b"\xff" * 257, bytes(1000), b"Wikipedia", b"\xff" * 100_000])
def test_the_sum_of_bytes_is_exact(data: bytes) -> None:
    assert total(data) == sum(data)


def test_the_sum_rests_on_adler_32() -> None:
    """Source: RFC 1950, section 9; the value of "Wikipedia" is 11E60398, its low half 1 plus the sum of the bytes."""
    assert zlib.adler32(b"Wikipedia") == 0x11E60398
    assert 1 + total(b"Wikipedia") == 0x0398
