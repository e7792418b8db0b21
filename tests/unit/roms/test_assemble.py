"""ROM files as a whole: placing against srec_cat, checks on bytes, hashes, and what is told of the steps."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import CheckError, ManifestError
from pipeline.model.manifest import RomFile
from pipeline.roms.assemble import assemble, chips_used, describe
from tests.unit.roms.test_strangers import run, srec
from tests.unit.roms.workshop import FILE, changed, made, noise, rom, title

K = 1024
A, B = noise(4 * K, 1), noise(2 * K, 2)


def built(whole: RomFile, **chips: bytes) -> bytes:
    return assemble(title(whole, **chips), whole, chips)


def refused(whole: RomFile, **chips: bytes) -> str:
    with pytest.raises(CheckError) as caught:
        built(whole, **chips)
    return str(caught.value)


def test_pieces_are_placed_and_holes_filled(tmp_path: Path) -> None:
    """Source: srec_cat(1), filters -offset and -fill; a filter without brackets would bind to the last file only."""
    whole = rom(0x4000, {"at": 0x2800, "chip": "b"}, {"at": 0x1000, "chip": "a"}, fill=0xE5)
    theirs = srec("( a -B -offset 0x1000 b -B -offset 0x2800 ) -fill 0xE5 0 0x4000")
    assert built(whole, a=A, b=B) == run(tmp_path, {"a": A, "b": B}, *theirs)


def test_a_later_step_wins_where_it_may(tmp_path: Path) -> None:
    """Source: srec_cat(1), option -multiple: later data replaces earlier."""
    whole = rom(4 * K, {"at": 0, "chip": "a"}, {"at": 0x500, "chip": "b", "over": True})
    theirs = srec("-multiple a -B b -B -offset 0x500")
    assert built(whole, a=A, b=B) == run(tmp_path, {"a": A, "b": B}, *theirs)


def test_what_is_done_to_the_whole_comes_last() -> None:
    then = [{"swap-bytes": 16}, {"overlay": {"at": 1, "old": A[:1].hex(), "new": "00"}}]
    assert built(rom(4 * K, {"at": 0, "chip": "a"}, then=then), a=A) == bytes([A[1], 0]) + changed(
        A[2:], {"swap-bytes": 16}
    )


def test_the_declared_hash_is_checked() -> None:
    digest = hashlib.sha256(A).hexdigest()
    whole = rom(4 * K, {"at": 0, "chip": "a"}, sha256=digest)
    assert built(whole, a=A) == A
    assert refused(whole, a=A[::-1]) == (
        f"{FILE}: rom.1.sha256: the steps give {hashlib.sha256(A[::-1]).hexdigest()}; expected {digest}\n"
        "  hint: every chip is the declared one, so a step is wrong, or this hash is; with the finished file at "
        "hand, doit solve title:fern-rally rom.1 FILE says which; "
        "if the new file is meant, doit pin title:fern-rally rom.1 built --replace"
    )


def test_chips_of_another_size_are_refused() -> None:
    whole = rom(6 * K, {"at": 0, "chip": "a"}, {"at": 4 * K, "chip": "b"})
    asked = title(whole, a=4 * K, b=4 * K)
    with pytest.raises(CheckError) as caught:
        assemble(asked, whole, {"a": A + b"\0", "b": B})
    assert str(caught.value) == (
        f"{FILE}: chips.a.size: the dump has 4,097 bytes; expected 4,096\n"
        f"{FILE}: chips.b.size: the dump has 2,048 bytes; expected 4,096"
    )


def test_steps_that_do_not_fit_are_refused_again() -> None:
    whole = rom(4 * K, {"at": 1, "chip": "a"}, fill=0)
    with pytest.raises(ManifestError) as caught:
        built(whole, a=A)
    place = "rom.1.steps.1.at: the piece lies at 0x0001 to 0x1000; the ROM file ends with 0x0FFF"
    assert str(caught.value) == f"{FILE}: {place}"


HEADER = [
    ({"strip": {"header": "AA BB"}}, "strip: begins with 01 02; expected the header AA BB"),
    ({"overlay": {"at": 2, "old": "AA BB", "new": "00 00"}}, "overlay: holds 03 14 at 0x0002; expected AA BB"),
    (
        {"nibble": {"take": "low", "rest": 0}},
        "nibble: holds 0x14 at 0x0003; expected 0 in the nibble that is not taken",
    ),
    (
        {"nibble": {"take": "high", "rest": 1}},
        "nibble: holds 0x02 at 0x0001; expected 1 in the nibble that is not taken",
    ),
]


@pytest.mark.parametrize(("change", "expected"), HEADER, ids=[row[1].split(":")[0] for row in HEADER])
def test_bytes_that_are_checked_must_be_there(change: dict[str, Any], expected: str) -> None:
    whole = rom(64, {"at": 0, "bytes": "01 02 03 14", "then": [change]}, fill=0)
    assert refused(whole) == f"{FILE}: rom.1.steps.1.then.1.{expected}"


def test_all_bytes_that_are_wrong_are_told_at_once() -> None:
    strip = {"strip": {"header": "AA"}}
    whole = rom(64, {"at": 0, "chip": "a", "then": [strip]}, {"at": 9, "chip": "a", "then": [strip]}, fill=0)
    assert refused(whole, a=b"\1\2") == (
        f"{FILE}: rom.1.steps.1.then.1.strip: begins with 01; expected the header AA\n"
        f"{FILE}: rom.1.steps.2.then.1.strip: begins with 01; expected the header AA"
    )


def test_the_other_nibble_may_be_anything_or_what_is_declared() -> None:
    assert changed(b"\xf1\xf2\xff", {"nibble": {"take": "low", "rest": 15}}) == b"\1\2\x0f"
    assert changed(b"\xf1\x02\x7f", {"nibble": "low"}) == b"\1\2\x0f"
    assert changed(b"\x10\x20\xf0", {"nibble": {"take": "high", "rest": 0}}) == b"\1\2\x0f"


def test_a_check_field_may_lie_in_the_range_as_zeros() -> None:
    """CRC-32 of 32 zero bytes is 190A55AD (from memory; zlib gives the same)."""
    field = {"crc-32": {"at": 8, "byte-order": "big-endian", "field": "zero"}}
    assert changed(bytes(8) + b"\xff" * 4 + bytes(20), field) == bytes(8) + bytes.fromhex("190A55AD") + bytes(20)


def test_a_check_field_may_lie_outside_its_range() -> None:
    field = {"sum": {"at": 0, "bits": 16, "form": "plain", "byte-order": "little-endian", "from": 4, "size": 3}}
    assert changed(bytes([9, 9, 9, 9, 1, 2, 255, 7]), field) == bytes([2, 1, 9, 9, 1, 2, 255, 7])


def test_pieces_stand_in_pieces() -> None:
    half = {"chip": "a", "then": [{"take": {"from": 2, "size": 2}}]}
    assert made({"join": ["b", {"interleave": ["b", half]}]}, {"a": b"abcd", "b": b"12"}, 6) == b"121c2d"


STEPS: list[tuple[dict[str, Any], str]] = [
    ({"chip": "4t"}, "4t"),
    (
        {"chip": "4t", "then": [{"take": {"from": 0, "size": "2 KiB"}}, {"mirror": "8 KiB"}]},
        "4t, take 2 KiB from 0x0000, mirror to 8 KiB",
    ),
    ({"interleave": ["1a", "2a"]}, "interleave 1a, 2a (1-byte units)"),
    (
        {"interleave": ["1a", {"chip": "2a", "then": [{"invert": True}]}], "unit": 2},
        "interleave 1a, (2a, invert) (2-byte units)",
    ),
    (
        {"join": ["3a", {"join": ["4a", "5a"]}], "then": [{"swap-words": True}]},
        "join 3a, (join 4a, 5a), swap 16-bit words in 32-bit units",
    ),
    ({"bytes": "deadbeef"}, "bytes DE AD BE EF"),
    ({"bytes": "00" * 40}, "bytes 00 00 00 00 00 00 00 00 00 00 00 00 00 00 00 00 ... (40 bytes)"),
    ({"fill": 255, "size": "1 KiB"}, "1 KiB of 0xFF"),
    ({"fill": "01 02", "size": 10}, "10 bytes of 01 02"),
    ({"nibbles": ["h", "l"]}, "nibbles of h (high), l (low)"),
    ({"planes": ["p0", "p1"]}, "bit planes p0, p1"),
    ({"planes": ["p0", "p1"], "packed": "lsb-first"}, "bit planes p0, p1 (packed lsb-first)"),
    ({"chip": "a", "then": [{"strip": {"size": 512, "leaves": "4 KiB"}}]}, "a, strip the header 512 bytes"),
    ({"chip": "a", "then": [{"strip": {"header": "55 AA"}}]}, "a, strip the header 55 AA"),
    ({"chip": "a", "then": [{"pad": {"to": "power-of-two", "fill": 0}}]}, "a, pad to a power of two with 0x00"),
    ({"chip": "a", "then": [{"pad": {"to": 4096, "fill": 255}}]}, "a, pad to 4 KiB with 0xFF"),
    ({"chip": "a", "then": [{"blocks": {"size": "4 KiB", "order": [1, 0]}}]}, "a, blocks of 4 KiB in order 1 0"),
    ({"chip": "a", "then": [{"lane": {"number": 1, "of": 4}}]}, "a, lane 1 of 4 (1-byte units)"),
    (
        {"chip": "a", "then": [{"overlay": {"at": 16, "old": "AA", "new": "BB"}}]},
        "a, overlay BB at 0x0010 in place of AA",
    ),
    (
        {"chip": "a", "then": [{"swap-bytes": 16}, {"reverse-bits": 8}]},
        "a, swap bytes in 16-bit units, reverse bits in 8-bit units",
    ),
    ({"chip": "a", "then": [{"data-lines": [7, 6, 5, 4, 3, 2, 1, 0]}]}, "a, data lines from 7 6 5 4 3 2 1 0"),
    (
        {"chip": "a", "then": [{"data-lines": {"lines": list(range(16)), "byte-order": "big-endian"}}]},
        "a, data lines from 0 1 2 3 4 5 6 7 8 9 10 11 12 13 14 15 (big-endian)",
    ),
    ({"chip": "a", "then": [{"address-lines": [1, 0]}]}, "a, address lines from 1 0"),
    (
        {"chip": "a", "then": [{"nibble": "low"}, {"nibble": {"take": "high", "rest": 15}}]},
        "a, low nibble, high nibble, the other being 0xF",
    ),
    (
        {"chip": "a", "then": [{"unpack": "low-first"}, {"pack": "high-first"}]},
        "a, unpack nibbles low-first, pack nibbles high-first",
    ),
    (
        {"chip": "a", "then": [{"plane": 3}, {"plane": {"bit": 0, "packed": "msb-first"}}]},
        "a, bit plane 3, bit plane 0 (packed msb-first)",
    ),
    (
        {"chip": "a", "then": [{"xor": 90}, {"xor": {"pattern": "1234"}}, {"xor": {"chip": "k"}}]},
        "a, XOR with 0x5A, XOR with 12 34, XOR with chip k",
    ),
    ({"chip": "a", "then": [{"and": 15}, {"or": 240}]}, "a, AND 0x0F, OR 0xF0"),
    (
        {"chip": "a", "then": [{"sum": {"at": 7, "bits": 8, "form": "negated"}}]},
        "a, negated 8-bit sum of 8-bit numbers at 0x0007",
    ),
    (
        {
            "chip": "a",
            "then": [
                {
                    "sum": {
                        "at": 0,
                        "bits": 16,
                        "of": 16,
                        "form": "plain",
                        "byte-order": "big-endian",
                        "from": 2,
                        "size": "2 KiB",
                    }
                }
            ],
        },
        "a, plain 16-bit sum of 16-bit numbers at 0x0000 big-endian over 2 KiB from 0x0002",
    ),
    (
        {
            "chip": "a",
            "then": [
                {
                    "crc-16": {
                        "at": 0,
                        "poly": 0x1021,
                        "init": 0xFFFF,
                        "reflected": True,
                        "xor-out": 0,
                        "byte-order": "big-endian",
                    }
                }
            ],
        },
        "a, CRC-16 (0x1021, from 0xFFFF, reflected, XOR 0x0000) at 0x0000 big-endian",
    ),
    (
        {"chip": "a", "then": [{"crc-32": {"at": 4, "byte-order": "little-endian", "field": "zero", "from": 4}}]},
        "a, CRC-32 at 0x0004 little-endian over the rest from 0x0004, field counted as zero",
    ),
]


@pytest.mark.parametrize(("table", "expected"), STEPS, ids=[row[1] for row in STEPS])
def test_a_step_is_told_in_one_line(table: dict[str, Any], expected: str) -> None:
    assert describe(rom(1, {"at": 0x1000} | table)) == (f"0x1000: {expected}",)


def test_what_is_done_to_the_whole_is_told_last() -> None:
    whole = rom(
        1, {"at": 0, "chip": "a"}, {"at": 0x10000, "chip": "b", "over": True}, then=[{"invert": True}, {"xor": 1}]
    )
    assert describe(whole) == (
        "0x0000: a",
        "0x10000: b (over earlier steps)",
        "whole file: invert, XOR with 0x01",
    )


def test_chips_are_named_once_in_order_of_use() -> None:
    steps = [
        {"at": 0, "interleave": ["z", {"chip": "b", "then": [{"xor": {"chip": "key"}}]}]},
        {"at": 9, "join": ["b", {"nibbles": ["c", "z"]}]},
    ]
    assert chips_used(rom(1, *steps, then=[{"xor": {"chip": "w"}}])) == ("z", "b", "key", "c", "w")
