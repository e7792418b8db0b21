"""Files that are no bitstreams raise no false alarm, and no bytes at all raise anything."""

from __future__ import annotations

import io
import json
import random
import struct
import sys
import zipfile
import zlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.bitstreams.identify import identify
from pipeline.bitstreams.verdict import judge
from pipeline.model.manifest import Fpga
from tests.support.needs import missing
from tests.unit.bitstreams.samples import MADE, made

ROOT = Path(__file__).parents[3]
SYNC_WORDS = ["AA995566", "5599AA66", "665599AA", "66AA9955", "FFFFBDB3", "7EAA997E"]
STARTS = [
    *(bytes.fromhex(word) for word in SYNC_WORDS),
    bytes.fromhex("0009 0FF00FF00FF00FF000 0001 61"),
    bytes.fromhex("FFFFFFFF AA995566 30018001"),
    bytes.fromhex("FFFF AA995566 31C2"),
    bytes.fromhex("FFFFBDB3 FFFF 3B000000 E2000000"),
    bytes.fromhex("7EAA997E 920020 62014B 720090 1100 0101"),
    b"POF\0",
    b"SOF\0\0\0\0\0\0\0\0\0\x02\0",
    b"1010010111000011\n0000011000000000000000000000000000001001000000000010100000011011\n",
    b"//\n1010010111000011\n",
    b"56\n65\n72\n73\n69\n6F\n6E\n3A\n20\n",
    b"\xff" * 32 + bytes.fromhex("6AF7F7F7F7F7F7F3FB"),
    b"\xff" * 128 + b"\x6a" * 4,
]
FPGAS = [None, Fpga(part="XC6SLX9"), Fpga(part="LFE5U-25F"), Fpga(part="TW-40"), Fpga(part="T8F81", device_id=1)]


@pytest.mark.parametrize("seed", range(10))
def test_a_thousand_random_files_are_no_bitstreams(seed: int) -> None:
    source = random.Random(seed)
    for _ in range(100):
        size = source.choice([0, 1, 3, 64, 1000, 8192, 32768, 65536])
        padding = source.choice([b"", b"", b"\xff" * 32, b"\xff" * 512, bytes(64)])
        assert identify(padding + source.randbytes(size)) is None


@pytest.mark.parametrize("seed", range(6))
def test_a_sync_word_alone_makes_no_bitstream(seed: int) -> None:
    source = random.Random(seed)
    word = bytes.fromhex(SYNC_WORDS[seed])
    for _ in range(100):
        data = bytearray(source.randbytes(6000))
        start = source.randrange(4090)
        data[start : start + len(word)] = word
        assert identify(bytes(data)) is None


def picture() -> bytes:
    """Return a PNG image (W3C Portable Network Graphics, 11.2), 64 x 64 grey."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    rows = b"".join(b"\0" + bytes(range(64)) for _ in range(64))
    head = struct.pack(">IIBBBBB", 64, 64, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")


def archive() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as box:
        box.writestr("a.bit", made("ecp5-25k.bit"))
    return out.getvalue()


STRUCTURED = {
    "nothing": b"",
    "one bytes": b"\xff",
    "a program": Path(sys.executable).read_bytes()[:4_000_000],
    "a picture": picture(),
    "an archive": archive(),
    "a packed bitstream": (MADE / "ecp5-25k.bit.gz").read_bytes(),
    "JSON": json.dumps({"a": list(range(999))}).encode(),
    "digits 0 and 1": b"0101010101010101\n" * 5000,
    "one line of digits": b"01" * 50_000,
    "hexadecimal lines": b"".join(b"%02X\n" % (number % 256) for number in range(20_000)),
    "Intel HEX": b":10010000214601360121470136007EFE09D2190140\n:00000001FF\n" * 200,
    "comments": b"// nothing but words\n" * 1000,
    "counting": bytes(range(256)) * 200,
    "a source file": Path(__file__).read_bytes(),
    "the parser's own words": (ROOT / "pipeline/bitstreams/xilinx.py").read_bytes(),
}


@pytest.mark.parametrize("name", STRUCTURED)
def test_files_of_other_kinds_are_no_bitstreams(name: str) -> None:
    data = STRUCTURED[name]
    for changed in (data, data * 2, data[1:], data[: len(data) // 2], b"\xff" * 48 + data):
        assert identify(changed) is None


@pytest.mark.parametrize("value", range(256))
def test_a_file_of_one_value_is_no_bitstream(value: int) -> None:
    for size in (1, 100, 32_768, 368_011):
        assert identify(bytes([value]) * size) is None


def test_rom_images_are_no_bitstreams() -> None:
    """The files of the Debian packages cbios, open-roms and seabios."""
    folders = [Path("/usr/share") / name for name in ("cbios", "open-roms", "seabios")]
    files = [path for folder in folders for path in sorted(folder.rglob("*")) if path.is_file()]
    if len(files) < 30:
        missing("cbios, open-roms and seabios are not installed")
    for path in files:
        data = path.read_bytes()
        swapped = bytearray(data[: len(data) // 2 * 2])
        swapped[0::2], swapped[1::2] = swapped[1::2], swapped[0::2]
        assert identify(data) is None, path
        assert identify(bytes(swapped)) is None, path
        assert identify(bytes(255 - byte for byte in data)) is None, path


def check(data: bytes) -> None:
    found = identify(data)
    assert found is None or (found.maker and found.size == len(data) and len(repr(found)) < 2000)
    for fpga in FPGAS:
        assert judge(found, fpga).text


@given(st.binary(max_size=2000))
def test_any_bytes_have_a_verdict(data: bytes) -> None:
    check(data)


@given(st.binary(max_size=40), st.sampled_from(STARTS), st.binary(max_size=600))
def test_any_bytes_around_a_format_s_mark_have_a_verdict(before: bytes, mark: bytes, after: bytes) -> None:
    check(mark + after)
    check(before + mark + after)
    check(b"\xff" * len(before) + mark + after + bytes(5000))


SMALL = ["ice40-lp384.bin", "xo2-1200hc.bit", "gowin-GW1NZ-1.fs", "ice40-hx1k-multi.bin"]


@given(
    st.sampled_from(SMALL),
    st.lists(st.tuples(st.integers(0, 400), st.integers(0, 3), st.binary(max_size=8)), min_size=1, max_size=6),
    st.integers(0, 2000),
)
def test_a_damaged_bitstream_has_a_verdict(name: str, damages: list[tuple[int, int, bytes]], tail: int) -> None:
    data = made(name)
    for place, removed, put in damages:
        data = data[:place] + put + data[place + removed :]
    check(data)
    check(data[: len(data) - tail])
