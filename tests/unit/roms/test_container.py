"""Containers: against srec_cat, which places table and slots; records by their layout; and what is refused."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.roms.assemble import describe
from tests.unit.roms.test_strangers import run, srec
from tests.unit.roms.workshop import made, noise, problems, rom

K = 1024
CHIPS = {"4t": noise(16 * K, 1), "4u": noise(9 * K, 2), "5a": noise(2 * K, 3), "5b": noise(2 * K, 4)}
SLOTS: list[dict[str, Any]] = [
    {"name": "PROGRAM", "chip": "4t"},
    {"name": "PICTURES", "chip": "4u"},
    {"name": "SOUND", "join": ["5a", "5b"]},
]
TABLE: dict[str, Any] = {"container": SLOTS, "name-width": 16, "slot-size": "16 KiB", "slot-fill": 0xFF}


def test_srec_cat_makes_the_same_table_and_slots(tmp_path: Path) -> None:
    """srec_cat(1): -generate ... -repeat-string writes names, -offset places, -fill pads (SRecord 1.64).

    Table of 64 bytes: three records of 16, names padded with spaces, and one of an empty slot; then four slots.
    """
    names = [slot["name"].ljust(16, "_") for slot in SLOTS]  # the tool's words are split at spaces
    placed = " ".join(f"-generate {16 * n} {16 * n + 16} -repeat-string {name}" for n, name in enumerate(names))
    slots = " ".join(
        f"{name} -B -offset {64 + at}" for name, at in {"4t": 0, "4u": 0x4000, "5a": 0x8000, "5b": 0x8800}.items()
    )
    command = srec(f"( {placed} -generate 48 64 -constant 0x5F {slots} ) -fill 0xFF 0 65600")
    theirs = run(tmp_path, CHIPS, *command)
    table = TABLE | {"table-fill": ord("_"), "slots": 4}
    assert made(table, CHIPS, 65600) == theirs


def test_fields_follow_each_name_in_their_order() -> None:
    """The layout written down again with struct ("<": little-endian, 8 letters, four 32-bit numbers) and zlib."""
    fields = {"fields": ["size", "offset", "crc-32", "sum"], "byte-order": "little-endian"}
    table = TABLE | fields | {"name-width": 8, "table-size": "1 KiB"}
    pieces = [CHIPS["4t"], CHIPS["4u"], CHIPS["5a"] + CHIPS["5b"]]
    records = b"".join(
        struct.pack("<8s4I", slot["name"].encode(), len(piece), K + n * 16 * K, zlib.crc32(piece), sum(piece))
        for n, (slot, piece) in enumerate(zip(SLOTS, pieces, strict=True))
    )
    result = made(table, CHIPS, 49 * K)
    assert result[:K] == records.ljust(K, b"\0")
    assert [result[K + n * 16 * K :][: 16 * K] for n in range(3)] == [p.ljust(16 * K, b"\xff") for p in pieces]
    big = made(table | {"byte-order": "big-endian"}, CHIPS, 49 * K)
    assert big[8:24] == struct.pack(">4I", *struct.unpack("<4I", result[8:24]))


def test_without_names_and_fields_there_are_only_slots() -> None:
    table = {"container": ["5a", "5b"], "slot-size": "4 KiB", "slot-fill": 0, "slots": 3}
    assert made(table, CHIPS, 12 * K) == (CHIPS["5a"] + bytes(2 * K)) + (CHIPS["5b"] + bytes(2 * K)) + bytes(4 * K)


def test_an_empty_slots_record_holds_only_the_fill() -> None:
    more = {"slots": 2, "table-fill": 0x2E, "fields": ["offset"], "byte-order": "big-endian"}
    table = {"container": [{"name": "A", "bytes": "01"}], "name-width": 2, "slot-size": 2, "slot-fill": 0xFF} | more
    assert made(table, {}, 16) == b"A.\0\0\0\x0c" + b"......" + b"\x01\xff\xff\xff"


@given(st.lists(st.binary(min_size=1, max_size=8), min_size=1, max_size=5), st.integers(0, 4), st.integers(0, 3))
def test_every_piece_is_found_again_where_its_offset_says(parts: list[bytes], empty: int, room: int) -> None:
    count = len(parts) + empty
    slots = [{"name": f"N{n}", "bytes": part.hex()} for n, part in enumerate(parts)]
    table = {
        "container": slots, "name-width": 3, "fields": ["offset", "size"], "byte-order": "big-endian",
        "slot-size": 8, "slot-fill": 0xFF, "slots": count, "table-size": 11 * count + room,
    }  # fmt: skip
    result = made(table, {}, 11 * count + room + 8 * count)
    for n, part in enumerate(parts):
        name, offset, size = struct.unpack_from(">3sII", result, 11 * n)
        assert (name, result[offset : offset + size]) == (f"N{n}".encode().ljust(3, b"\0"), part)
        assert set(result[offset + size : offset + 8]) <= {0xFF}


def test_a_container_is_told_in_one_line() -> None:
    more = {"slots": 4, "fields": ["offset", "size"], "byte-order": "big-endian"}
    assert describe(rom(65600, {"at": 0} | TABLE | more)) == (
        "0x0000: container of 4 slots of 16 KiB (PROGRAM, PICTURES, SOUND), with offset and size: "
        "4t, 4u, (join 5a, 5b)",
    )


AT = "rom.1.steps.1"
REFUSED: list[tuple[dict[str, Any], str]] = [
    ({"name-width": 7}, 'container: slot 2 has the name "PICTURES" of 8 bytes; name-width is 7'),
    ({"slot-size": "8 KiB"}, "container: slot 1 gets 16 KiB; slot-size is 8 KiB"),
    ({"slots": 2}, "container: has 3 pieces for 2 slots; expected a slot for each"),
    ({"slots": 0}, "slots: 0 is out of place; expected a whole number from 1 to 65,536"),
    ({"table-size": 47}, "container: has a table of 48 bytes; table-size is 47 bytes"),
    ({"fields": ["size"]}, "container: needs byte-order for its fields"),
    ({"byte-order": "big-endian"}, "container: has a byte-order, but no fields"),
    (
        {"fields": ["size", "size"], "byte-order": "big-endian"},
        'fields: ["size", "size"] is out of place; expected a list with each of "offset", "size", "sum", "crc-32" '
        "at most once",
    ),
    (
        {"fields": ["crc"], "byte-order": "big-endian"},
        'fields: ["crc"] is out of place; expected a list with each of "offset", "size", "sum", "crc-32" at most once',
    ),
    ({"slot-fill": 256}, "slot-fill: 256 is out of place; expected a whole number from 0x00 to 0xFF"),
    (
        {"container": [{"name": "PLÄNE", "chip": "4t"}]},
        'container: slot 1 has the name "PLÄNE"; expected printable ASCII',
    ),
    ({"container": []}, "container: expected 1 to 65,536 pieces, found 0"),
    ({"slot-size": "1 GiB"}, "container: has 3,221,225,520 bytes; expected 1 GiB at most"),
]


@pytest.mark.parametrize(("more", "expected"), REFUSED, ids=[str(row[0]) for row in REFUSED])
def test_a_container_is_refused(more: dict[str, Any], expected: str) -> None:
    sizes = {name: len(chip) for name, chip in CHIPS.items()}
    assert problems(1 << 20, {"at": 0} | TABLE | more, chips=sizes, fill=0) == [f"{AT}.{expected}"]


def test_a_slots_own_problem_is_told_at_its_own_key() -> None:
    slots = [{"name": "A", "chip": "zz9"}, {"name": "B", "join": ["4t", "q"]}]
    told = problems(K, {"at": 0} | TABLE | {"container": slots}, chips={"4t": K}, fill=0)
    assert [text.splitlines()[0] for text in told] == [
        f'{AT}.container.1.chip: no chip "zz9" in this title',
        f'{AT}.container.2.join.2: no chip "q" in this title',
    ]
