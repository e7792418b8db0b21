"""Damage is noticed wherever a format carries a size, a count or a CRC, and good files raise no alarm.

CRC values of "123456789": the catalogue of CRC algorithms, from memory (CRC-16/ARC, CRC-16/UMTS). Which bytes each
format's CRC covers is proven by the good files, made by programs that share nothing with this one.
"""

from __future__ import annotations

import random
import struct

import pytest

from pipeline.bitstreams.bitstream import Bitstream
from pipeline.bitstreams.checksums import crc16_arc, crc16_umts
from pipeline.bitstreams.identify import identify
from pipeline.bitstreams.integrity import INTACT, UNCHECKED, Integrity
from tests.unit.bitstreams.samples import made, wheel

SYNC = bytes.fromhex("AA995566")


def found_in(data: bytes) -> Bitstream:
    found = identify(data)
    assert found is not None
    return found


def raw(name: str) -> bytes:
    """Return the data of a .bit file from their padding on."""
    data = wheel(name)
    return data[data.find(b"\xff" * 4) :]


def is_noticed(data: bytes) -> bool:
    """Whether anything is said of a file: it is no bitstream, cut short, damaged, doubtful or contradicts itself."""
    found = identify(data)
    return found is None or found.integrity not in (INTACT, UNCHECKED) or found.contradictory != ""


def test_check_values() -> None:
    assert (crc16_arc(b"123456789"), crc16_umts(b"123456789")) == (0xBB3D, 0xFEE8)
    assert (crc16_arc(b""), crc16_umts(b"")) == (0, 0)
    assert crc16_umts(b"56789", crc16_umts(b"1234")) == 0xFEE8


GOOD = {
    "ecp5-25k.bit": made, "ecp5-45k.bit": made, "xo2-1200hc.bit": made, "xo2-1200hc-uncompressed.bit": made,
    "gowin-GW1N-1.fs": made, "gowin-GW1NZ-1-uncompressed.fs": made, "ice40-hx1k.bin": made, "ice40-u4k.bin": made,
    "xc7s6.bit": raw, "xc7a35t.bit": raw, "xc3s500evq100.bit": raw, "xc6slx9csg324.bit": raw,
    "xc6slx25tcsg324.bit": wheel, "xc7s15.bit": wheel, "efinix_t8f81.bit": wheel,
}  # fmt: skip


@pytest.mark.parametrize("name", GOOD)
def test_bytes_removed_or_put_in_anywhere_are_noticed(name: str) -> None:
    data = GOOD[name](name)
    assert found_in(data).integrity == INTACT
    used = len(data.rstrip(b"\xff\0\x20\n\r1"))
    chance = random.Random(name)
    for count in (1, 2, 3, 4, 8, 65, 512, 4096):
        at = chance.randrange(used // 50, used - 100)
        assert is_noticed(data[:at] + data[at + count :]), (at, count)
        assert is_noticed(data[:at] + chance.randbytes(count) + data[at:]), (at, count)


@pytest.mark.parametrize("name", [name for name in GOOD if not name.startswith(("efinix", "xc6"))])
def test_bytes_exchanged_for_others_are_noticed_where_there_is_a_crc(name: str) -> None:
    data = GOOD[name](name)
    used = len(data.rstrip(b"\xff\0\x20\n\r1"))
    chance = random.Random(name)
    for _ in range(6):
        at = chance.randrange(used // 20, used * 9 // 10)
        changed = data[:at] + bytes(byte ^ 1 for byte in data[at : at + 3]) + data[at + 3 :]
        assert b"\n" in data[at : at + 3] or is_noticed(changed), at


@pytest.mark.parametrize("name", GOOD)
def test_two_bitstreams_in_one_file_are_noticed(name: str) -> None:
    assert is_noticed(GOOD[name](name) * 2)


def test_a_frame_with_a_wrong_crc_is_named() -> None:
    data = bytearray(made("ecp5-25k-uncompressed.bit"))
    data[65 + 77 * 2] ^= 1  # the first byte of the third frame of 74 bytes, CRC and idle byte
    assert found_in(bytes(data)).integrity.damage == "the CRC of frame 3 of 7,562, at offset 0x125, is wrong"
    lines = made("gowin-GW1NZ-1.fs").split(b"\n")
    lines[12] = lines[12][:8] + b"11111111" + lines[12][16:]
    assert found_in(b"\n".join(lines)).integrity.damage == "line 13: the CRC of frame 3 is wrong"
    lines[12] = lines[12][:8] + b" " + lines[12][8:]
    assert found_in(b"\n".join(lines)).integrity.damage == "line 13: it is not a record of binary digits"


def test_an_odd_record_of_a_gowin_file_is_named() -> None:
    data = made("gowin-GW1NZ-1.fs")
    lines = data.split(b"\n")
    lines[7] = lines[7][8:]
    assert found_in(b"\n".join(lines)).integrity.damage == "line 8: record 0x00 has 7 bytes"
    lines = data.split(b"\n")
    lines.insert(289, lines[285])
    assert (
        found_in(b"\n".join(lines)).integrity.damage == "line 290: a record follows the one that ends the configuration"
    )


def test_frames_of_different_length_are_damage_where_they_carry_no_crc() -> None:
    data = made("gowin-GW1NZ-1-uncompressed.fs")
    lines = data.split(b"\n")
    assert lines[9].startswith(b"00111011" + b"1")
    lines[9] = b"00111011" + b"0" + lines[9][9:]  # 3B without the mark for CRCs
    assert found_in(b"\n".join(lines)).integrity == INTACT
    lines[20] = lines[20][8:]
    assert found_in(b"\n".join(lines)).integrity.damage == "line 21: a frame has 159 bytes, the first has 160"


def test_an_unknown_command_of_an_ecp5_file_is_named() -> None:
    data = made("ecp5-25k.bit")
    at = data.find(bytes.fromhex("46000000"))
    damage = f"0x47 at offset 0x{at:X} is not a command of the format"
    assert found_in(data[:at] + b"\x47" + data[at + 1 :]).integrity.damage == damage
    frames = data.find(bytes.fromhex("B8911D8A"))
    fewer = data[: frames + 2] + b"\x1d\x89" + data[frames + 4 :]
    damage = "it announces 7,561 frames, which is the number of no device of its families"
    assert found_in(fewer).integrity.damage == damage


def test_an_ecp5_file_for_an_unknown_device_is_judged_by_its_end() -> None:
    data = made("ecp5-25k.bit").replace(bytes.fromhex("41111043"), bytes.fromhex("4F111043"))
    data = data[: data.find(b"Part")] + data[data.find(b"\xff\xff\xbd\xb3") :]
    assert found_in(data).integrity == UNCHECKED
    assert found_in(data[:-9]).truncated


def test_other_data_after_the_end_are_doubtful() -> None:
    data = made("ice40-lp384.bin")
    end = data.rfind(b"\x01\x06") + 2
    following = b"a program for the flash"
    padding = len(data) - end
    doubt = f"{padding + 23} bytes of other data follow its end, at offset 0x{end:X}"
    assert found_in(data + following).integrity == Integrity(doubt=doubt)


def test_an_ice40_file_without_a_crc_cannot_be_checked() -> None:
    data = made("ice40-lp384.bin")
    at = data.rfind(b"\x22")
    assert found_in(data[:at] + data[at + 3 :]).integrity == UNCHECKED


def test_every_image_of_an_ice40_file_is_followed() -> None:
    data = made("ice40-hx1k-multi.bin")
    end = data.rfind(b"\x01\x06") + 2
    assert found_in(data[:end]).integrity == INTACT
    assert found_in(data[: end - 1]).truncated
    starts = [at for at in range(0, 160, 32) if data.startswith(bytes.fromhex("7EAA997E"), at)]
    changed = bytearray(data)
    changed[starts[-1] + 9 : starts[-1] + 12] = (len(data) - 1).to_bytes(3, "big")  # the last entry leads nowhere
    assert found_in(bytes(changed)).truncated


def packets(*writes: tuple[int, int]) -> bytes:
    """Return type 1 writes of one 32-bit word each (UG470, chapter 5), after a sync word."""
    words = (struct.pack(">II", 0x3000_0001 | register << 13, value) for register, value in writes)
    return b"\xff" * 16 + SYNC + b"".join(words)


ID, COMMAND, FRAMES = 12, 4, 2


def test_frames_before_an_id_make_no_configuration() -> None:
    """The device compares the id before it takes frames (UG470, "Device ID check")."""
    end = (COMMAND, 13)
    assert found_in(packets((ID, 0x0362_2093), end)).devices == ("XC7S6",)
    assert found_in(packets((COMMAND, 7), (ID, 0x0362_2093), (FRAMES, 0), end)).devices == ("XC7S6",)
    assert identify(packets((FRAMES, 0), (ID, 0x0362_2093), end)) is None
    narrow = b"\xff" * 16 + SYNC
    id_16, frames_16 = bytes.fromhex("31C2 0400 1093"), bytes.fromhex("5060 0000 0001 0000 0000 0000")
    assert found_in(narrow + id_16 + frames_16).devices == ("XC6SLX9",)
    assert identify(narrow + frames_16 + id_16) is None


def test_an_id_that_comes_late_is_still_found() -> None:
    data = packets((COMMAND, 0))
    assert found_in(data + bytes.fromhex("20000000") * 9000 + packets((ID, 0x0362_2093))[20:]).devices == ("XC7S6",)
    assert identify(data + bytes.fromhex("20000000") * 11_000 + packets((ID, 0x0362_2093))[20:]) is None


def test_frames_without_a_crc_are_doubtful() -> None:
    start, end = ((COMMAND, 7), (ID, 0x0362_2093), (FRAMES, 0)), (COMMAND, 13)
    assert found_in(packets(*start, end)).integrity == Integrity(doubt="no CRC follows its frames")
    assert found_in(packets(*start, (0, 0xDEFC), end)).integrity == INTACT
    damage = "at offset 0x30 is a CRC that is wrong"
    assert found_in(packets(*start, (0, 1), end)).integrity.damage == damage


def test_the_crc_of_an_unknown_device_is_not_judged() -> None:
    """0x02AD6093 is in no table here; that its CRC is another is not known either."""
    data = packets((COMMAND, 7), (ID, 0x02AD_6093), (FRAMES, 0), (0, 1), (COMMAND, 13))
    found = found_in(data)
    assert (found.devices, found.integrity) == ((), UNCHECKED)
    assert found_in(data[:-16]).truncated


def test_encrypted_packets_are_not_followed() -> None:
    """CTL0 bit 6 switches the decryption on, CBC holds its start value (UG470, tables 5-23 and 5-27)."""
    start = ((COMMAND, 7), (ID, 0x0362_2093))
    for write in ((5, 1 << 6), (11, 0)):
        assert found_in(packets(*start, write) + bytes(range(200))).integrity == UNCHECKED


@pytest.mark.parametrize(
    ("word", "shown"), [(0x3800_0001, "38000001"), (0x7000_0000, "70000000"), (0x3004_0001, "30040001")]
)
def test_a_word_that_is_no_packet_is_named(word: int, shown: str) -> None:
    data = packets((COMMAND, 7), (ID, 0x0362_2093)) + struct.pack(">I", word) + bytes(64)
    assert found_in(data).integrity.damage == f"at offset 0x24 stands 0x{shown}, which is not a packet"


def test_a_bit_header_that_cannot_be_read_is_not_taken_for_raw_data() -> None:
    data = wheel("xc7s6.bit")
    damage = "its header cannot be read: it is not as a .bit file's begins"
    for changed in (data[1:], b"\0\x0a" + data[2:], data[13:], data[20:]):
        found = found_in(changed)
        assert (found.devices, found.integrity.damage) == (("XC7S6",), damage)
    at = data.find(b"7s6ftgb196")
    damage = f"its header cannot be read: the part at offset 0x{at:X} is not text"
    assert found_in(data[:at] + b"\xff" + data[at + 1 :]).integrity.damage == damage


def test_bytes_of_another_format_before_raw_data_are_doubtful() -> None:
    data = raw("xc7s6.bit")
    sync = 100 + data.find(SYNC)
    doubt = f"{sync} bytes of an unknown format come before its data"
    assert found_in(b"header of a loader".ljust(100, b".") + data).integrity == Integrity(doubt=doubt)


def test_an_efinix_file_that_is_not_as_measured_is_named() -> None:
    data = wheel("efinix_t8f81.bit")
    assert (
        found_in(data[:60] + data[63:]).integrity.damage == "its header cannot be read: it has 255 bytes, expected 256"
    )
    assert found_in(data + b"00\n").integrity.damage == (
        "it has 173,381 bytes, expected 173,380 or 609,770 for its device"
    )
    at = 3 * 1000
    assert (
        found_in(data[:at] + b"0G" + data[at + 2 :]).integrity.damage == "line 1,001: it has no two hexadecimal digits"
    )
