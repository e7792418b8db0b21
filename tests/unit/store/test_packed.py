"""What is stored of a ROM file, and that any other bytes are none."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

from hypothesis import example, given
from hypothesis import strategies as st

from pipeline.store.packed import pack, packed_size, unpack
from tests.strangers.tools import require

KEY = "5e" * 32
DATA = b"first line\nsecond line\n\0\xff"


def test_a_stored_rom_file_is_a_line_about_it_and_its_bytes(tmp_path: Path) -> None:
    line, _, data = pack(KEY, DATA).partition(b"\n")
    # SHA-256 as GNU coreutils gives it
    summed = subprocess.run([require("sha256sum")], input=DATA, capture_output=True, check=True)
    sha256 = summed.stdout.split()[0].decode()
    assert json.loads(line) == {"cardkiln-rom": 1, "key": KEY, "sha256": sha256, "size": len(DATA)}
    assert data == DATA


@given(st.binary())
def test_what_was_stored_comes_back(data: bytes) -> None:
    stored = pack(KEY, data)
    assert unpack(KEY, stored) == data
    assert len(stored) == packed_size(KEY, len(data))


@given(st.data(), st.binary(max_size=64))
def test_one_flipped_bit_makes_it_bad(draw: st.DataObject, data: bytes) -> None:
    stored = bytearray(pack(KEY, data))
    bit = draw.draw(st.integers(0, 8 * len(stored) - 1))
    stored[bit // 8] ^= 1 << bit % 8
    assert unpack(KEY, bytes(stored)) is None


@given(st.data(), st.binary(max_size=64))
def test_cut_anywhere_it_is_bad(draw: st.DataObject, data: bytes) -> None:
    stored = pack(KEY, data)
    assert unpack(KEY, stored[: draw.draw(st.integers(0, len(stored) - 1))]) is None


@given(st.binary(min_size=1))
def test_lengthened_it_is_bad(more: bytes) -> None:
    assert unpack(KEY, pack(KEY, DATA) + more) is None


@given(st.binary())
@example(b"\n")
@example(b"{}\n")
def test_any_other_bytes_are_bad(stored: bytes) -> None:
    assert unpack(KEY, stored) is None


def test_under_another_key_it_is_bad() -> None:
    assert unpack("5f" * 32, pack(KEY, DATA)) is None
