"""Published check values of sums and CRCs."""

from __future__ import annotations

import binascii
import zlib
from pathlib import Path
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.roms.operations.crc import crc
from tests.unit.roms.test_strangers import run
from tests.unit.roms.workshop import changed, noise

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
    assert crc(TEXT, bits=16, poly=poly, init=init, reflected=reflected, xor_out=xor_out) == value
    change = {"at": 9, "poly": poly, "init": init, "reflected": reflected, "xor-out": xor_out, "size": 9}
    for order in ("little", "big"):
        field = {"crc-16": change | {"byte-order": f"{order}-endian"}}
        assert changed(TEXT + b"\xa5\xa5", field) == TEXT + value.to_bytes(2, "big" if order == "big" else "little")


def bit_by_bit(data: bytes, bits: int, poly: int, init: int, reflected: bool) -> int:
    """Return the CRC by the shift register itself: one bit at a time (ITU-T V.41, clause 2)."""
    register = init
    for byte in data:
        for bit in range(8) if reflected else range(7, -1, -1):
            out = register >> bits - 1 ^ byte >> bit & 1
            register = register << 1 & (1 << bits) - 1 ^ poly * out
    return int(f"{register:0{bits}b}"[::-1], 2) if reflected else register


@given(st.binary(max_size=70), st.sampled_from([16, 32]), st.booleans(), st.data())
def test_a_crc_is_what_the_shift_register_gives(data: bytes, bits: int, reflected: bool, draw: st.DataObject) -> None:
    poly, init = (draw.draw(st.integers(0, (1 << bits) - 1)) for _ in range(2))
    ours = crc(data, bits=bits, poly=poly, init=init, reflected=reflected, xor_out=0)
    assert ours == bit_by_bit(data, bits, poly, init, reflected)


@given(st.binary(max_size=600), st.integers(0, 0xFFFF))
def test_crc_16_of_polynomial_1021_is_what_binascii_gives(data: bytes, init: int) -> None:
    ours = crc(data, bits=16, poly=0x1021, init=init, reflected=False, xor_out=0)
    assert ours == binascii.crc_hqx(data, init)


CRC32 = [
    # name, poly, init, reflected, final XOR, value of "123456789"
    ("ISO-HDLC", 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF, 0xCBF43926),
    ("JAMCRC", 0x04C11DB7, 0xFFFFFFFF, True, 0x00000000, 0x340BC6D9),
    ("BZIP2", 0x04C11DB7, 0xFFFFFFFF, False, 0xFFFFFFFF, 0xFC891918),
    ("MPEG-2", 0x04C11DB7, 0xFFFFFFFF, False, 0x00000000, 0x0376E6E7),
    ("CKSUM", 0x04C11DB7, 0x00000000, False, 0xFFFFFFFF, 0x765E7680),
    ("ISCSI", 0x1EDC6F41, 0xFFFFFFFF, True, 0xFFFFFFFF, 0xE3069283),
    ("AIXM", 0x814141AB, 0x00000000, False, 0x00000000, 0x3010BF7F),
    ("BASE91-D", 0xA833982B, 0xFFFFFFFF, True, 0xFFFFFFFF, 0x87315576),
    ("XFER", 0x000000AF, 0x00000000, False, 0x00000000, 0xBD0BE338),
]
"""Source: G. Cook, "Catalogue of parametrised CRC algorithms", 32-bit part (from memory); the first is also
what zlib gives."""


@pytest.mark.parametrize(("poly", "init", "reflected", "xor_out", "value"), [row[1:] for row in CRC32],
                         ids=[row[0] for row in CRC32])  # fmt: skip
def test_crc_32_of_the_usual_text(poly: int, init: int, reflected: bool, xor_out: int, value: int) -> None:
    change = {"at": 9, "poly": poly, "init": init, "reflected": reflected, "xor-out": xor_out}
    for order in ("little", "big"):
        field = {"crc-32": change | {"byte-order": f"{order}-endian"}}
        assert changed(TEXT + bytes(4), field) == TEXT + value.to_bytes(4, "big" if order == "big" else "little")


@pytest.mark.parametrize(
    ("data", "value"),
    [
        (bytes(32), "aa36918a"),
        (b"\xff" * 32, "43aba862"),
        (bytes(range(32)), "4e79dd46"),
        (bytes(range(31, -1, -1)), "5cdb3f11"),
    ],
    ids=["zeros", "ones", "rising", "falling"],
)
def test_crc_32_of_another_polynomial(data: bytes, value: str) -> None:
    """Source: RFC 3720, B.4, "CRC Examples": the bytes as they are sent."""
    field = {"at": 32, "poly": 0x1EDC6F41, "byte-order": "little-endian"}
    assert changed(data + bytes(4), {"crc-32": field}) == data + bytes.fromhex(value)


@given(st.binary(min_size=1, max_size=300), st.sampled_from(["little", "big"]))
def test_crc_32_without_parameters_is_what_zlib_gives(data: bytes, order: Literal["little", "big"]) -> None:
    """ITU-T V.42, 8.1.1.6.2; RFC 1952, section 8; zlib's manual, "crc32"."""
    field = {"crc-32": {"at": len(data), "byte-order": f"{order}-endian"}}
    assert changed(data + b"\1\2\3\4", field) == data + zlib.crc32(data).to_bytes(4, order)


@given(st.binary(max_size=300), st.integers(0, 0xFFFF_FFFF))
def test_crc_32_by_the_table_is_what_zlib_gives(data: bytes, before: int) -> None:
    """zlib goes on from the CRC of what came before, which is the register with its bits inverted."""
    register = int(f"{before ^ 0xFFFF_FFFF:032b}"[::-1], 2)
    ours = crc(data, bits=32, poly=0x04C11DB7, init=register, reflected=True, xor_out=0xFFFF_FFFF)
    assert ours == zlib.crc32(data, before)


@pytest.mark.parametrize("size", [1, 9, 255, 256, 70_000])
def test_crc_32_from_the_highest_bit_on_is_what_cksum_gives(size: int, tmp_path: Path) -> None:
    """POSIX.1-2017, cksum: the CRC of the bytes, then of their number, lowest byte first, without zeros behind it."""
    data = noise(size)
    theirs = int(run(tmp_path, {"a": data}, "cksum", "a").split()[0])
    length = size.to_bytes((size.bit_length() + 7) // 8, "little")
    field = {"at": size + len(length), "init": 0, "reflected": False, "byte-order": "big-endian"}
    assert changed(data + length + bytes(4), {"crc-32": field})[-4:] == theirs.to_bytes(4, "big")


def test_the_worked_example_of_the_internet_checksum() -> None:
    """Source: RFC 1071, section 3: the words 0001, F203, F4F5 and F6F7 add up to DDF2, whose complement is 220D."""
    words = bytes.fromhex("0001 F203 F4F5 F6F7")
    field = {"at": 8, "bits": 16, "of": 16, "carry": "end-around", "byte-order": "big-endian"}
    for form, value in (("plain", "DDF2"), ("inverted", "220D")):
        assert changed(words + bytes(2), {"sum": field | {"form": form}}) == words + bytes.fromhex(value)


def test_the_one_s_complement_sum_in_either_byte_order() -> None:
    """Source: RFC 1071, section 2 (B) and section 3: the sum of swapped words is the swapped sum."""
    words = bytes.fromhex("0001 F203 F4F5 F6F7")
    field = {"at": 8, "bits": 16, "of": 16, "form": "plain", "carry": "end-around", "byte-order": "little-endian"}
    assert changed(words + bytes(2), {"sum": field}) == words + bytes.fromhex("DDF2")
