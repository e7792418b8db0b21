"""Headers written by hand from their published layouts, where no real file was to be had or none is damaged.

.bit header: fpga-faq.com FAQ 0026. .pof: openFPGALoader's reader (two u32, then records of u16 tag, u32 length and
bytes, little-endian; tag 1 tool, 2 part, 3 design). That a .sof looks the same is from memory. Neither of the two
was met as a real file.
"""

from __future__ import annotations

import struct

import pytest

from pipeline.bitstreams.bitstream import DEVICE, Bitstream
from pipeline.bitstreams.identify import identify
from pipeline.bitstreams.integrity import TRUNCATED
from tests.unit.bitstreams.samples import wheel

MAGIC = bytes.fromhex("0009 0FF00FF00FF00FF000 0001")


def found_in(data: bytes) -> Bitstream:
    found = identify(data)
    assert found is not None
    return found


def bit_header(part: bytes, length: int, design: bytes = b"x.ncd") -> bytes:
    fields = [(b"a", design), (b"b", part), (b"c", b"2026/01/01"), (b"d", b"10:00:00")]
    texts = b"".join(key + struct.pack(">H", len(text) + 1) + text + b"\0" for key, text in fields)
    return MAGIC + texts + b"e" + struct.pack(">I", length)


def records(magic: bytes, *items: tuple[int, bytes]) -> bytes:
    body = b"".join(struct.pack("<HI", tag, len(text)) + text for tag, text in items)
    return magic + struct.pack("<II", 0x10000, len(items)) + body


@pytest.mark.parametrize(("magic", "kind"), [(b"POF\0", "Intel .pof file"), (b"SOF\0", "Intel .sof file")])
def test_the_part_of_a_pof_or_sof_file(magic: bytes, kind: str) -> None:
    data = records(magic, (1, b"a tool\0"), (2, b"EP4CE22F17C6\0"), (3, b"somebody's design\0"), (17, b"\xff" * 99))
    found = found_in(data)
    assert (found.maker, found.format, found.devices, found.package) == ("Intel", kind, ("EP4CE22",), "F17")
    assert (found.family, found.precision, found.truncated) == ("Cyclone IV E", DEVICE, False)
    assert "somebody" not in repr(found)


@pytest.mark.parametrize("data", [b"POF\0", records(b"POF\0", (2, b"EPCS16\0")), records(b"SOF\0", (2, b""))])
def test_a_pof_or_sof_file_without_a_known_part(data: bytes) -> None:
    found = found_in(data)
    assert (found.maker, found.devices, found.package) == ("Intel", (), "")


def test_a_bit_header_without_configuration_data() -> None:
    found = found_in(bit_header(b"6slx9tqg144", 5000) + bytes(5000))
    assert (found.devices, found.package, found.device_id) == (("XC6SLX9",), "TQG144", None)
    assert (found.truncated, found.declared_size) == (False, 5068)
    assert found.contradictory == "its header is a .bit file's, but no configuration data with a device id follow"


def test_a_bit_header_asking_for_more_than_there_is() -> None:
    found = found_in(bit_header(b"6slx9tqg144", 0xFFFF_FFFF) + bytes(5000))
    assert (found.truncated, found.declared_size) == (True, 0xFFFF_FFFF + 68)


def test_a_damaged_bit_header_is_no_cut() -> None:
    data = bit_header(b"6slx9tqg144", 5000).replace(b"c\0\x0b2026", b"z\0\x0b2026") + bytes(5000)
    found = found_in(data)
    assert (found.truncated, found.declared_size, found.contradictory) == (False, None, "")
    assert found.integrity.damage == 'its header cannot be read: found 0x7A at offset 0x25, expected the field "c"'


def test_a_header_made_up_for_real_data_changes_nothing_about_the_data() -> None:
    data = wheel("xc7s6.bit")
    start = data.find(b"\xff" * 4)
    found = found_in(bit_header(b"home of somebody", len(data) - start, b"/home/somebody") + data[start:])
    assert (found.devices, found.package, found.contradictory) == (("XC7S6",), "", "")
    assert "somebody" not in repr(found)


def test_a_part_text_that_is_no_text() -> None:
    found = found_in(bit_header(b"\xff\xfe6slx9", 0))
    assert (found.devices, found.package) == ((), "")


def test_an_efinix_header_keeps_device_and_family_only() -> None:
    lines = b"Version: 1\nGenerated: today\n\nProject: /home/somebody/Device: T20F256/x\nFamily: Trion\nDevice: T8F81\n"
    data = lines.ljust(256, b"\n") + bytes.fromhex("168A2236") + bytes(40)
    text = "\n".join(f"{byte:02X}" for byte in data).encode() + b"\n"
    found = found_in(text)
    assert (found.maker, found.devices, found.package, found.truncated) == ("Efinix", ("T8",), "F81", True)
    assert "somebody" not in repr(found)
    assert identify(text.replace(b"16\n8A\n22\n36", b"16\n8A\n22\n37")) is None
    assert found_in(text.replace(b"\n", b"\r\n")) == Bitstream(
        maker="Efinix",
        format="Efinix bitstream",
        size=1200,
        family="Trion",
        devices=("T8",),
        package="F81",
        integrity=TRUNCATED,
    )


def test_a_raw_binary_file_of_no_known_size() -> None:
    found = found_in(b"\xff" * 32 + bytes.fromhex("6AF7F7F7F7F7F7F3FB") + bytes(1000))
    assert (found.maker, found.devices) == ("Intel", ())
    assert found.family == "Cyclone III or Cyclone IV E or Cyclone 10 LP"
    cyclone_5_size = 2_632_660
    found = found_in((b"\xff" * 32 + bytes.fromhex("6AF7F7F7F7F7F7F3FB")).ljust(cyclone_5_size, b"\xff"))
    assert found.devices == ()
    assert identify(b"\xff" * 31 + bytes.fromhex("6AF7F7F7F7F7F7F3FB") + bytes(1000)) is None
