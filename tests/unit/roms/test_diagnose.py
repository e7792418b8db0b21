"""What is said of dumps: by themselves, and by the part that is printed on the chip.

The signs are trade knowledge, from memory; the bytes that show them are made here as a reader would have left them.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.roms.assemble import check_title
from pipeline.roms.chips.diagnose import diagnose
from tests.unit.roms.workshop import FILE, noise, rom, title

K = 1024
STUCK = "an address line was stuck, or a smaller part was read as a larger one"
ONLY = "a part of 4 data lines, or 4 lines that were not connected"
ROOM = "room that was never programmed"

SIGNS: list[tuple[str, bytes, str, tuple[str, ...]]] = [
    ("nothing stands out", noise(4 * K), "2732", ()),
    ("nothing known of the part", noise(4 * K), "club's own", ()),
    ("an empty file", b"", "", ("is empty",)),
    ("a text dump", b":0100000001FE\r\n:00000001FF\r\n", "2716", ("is intel-hex text",)),
    (
        "a text dump with a wrong sum behind a byte order mark",
        b"\xef\xbb\xbf:0100000001FE\n:0100010002FB\n:00000001FF\n",
        "",
        (
            "begins with a byte order mark, which a text dump does not have",
            "is intel-hex text that cannot be decoded: line 2: the record's sum is FB; expected FC",
        ),
    ),
    (
        "a text dump cut short",
        b"S10700000001",
        "",
        ("is s-record text that cannot be decoded: line 1: the record has 4 bytes; its count says 7",),
    ),
    ("a colon that begins no text", b":" + noise(63), "", ()),
    ("all ones", b"\xff" * K, "", ("every byte is 0xFF: the chip is erased or missing",)),
    ("all zeros", bytes(K), "2708", ("every byte is 0x00: the chip never answered",)),
    ("one value", b"\x5a" * 64, "", ("every byte is 0x5A: no chip holds that on purpose",)),
    (
        "an empty PROM",
        bytes(32),
        "82S123",
        ("every byte is 0x00: the 82S123 was never programmed, or did not answer",),
    ),
    ("equal halves", noise(K) * 2, "", (f"both halves are equal: {STUCK}",)),
    ("equal eighths", noise(K) * 8, "", (f"the same 1 KiB stand there 8 times: {STUCK}",)),
    (
        "a smaller part read as a larger one",
        noise(2 * K) * 2,
        "2716",
        ("has 4 KiB, twice what the 2716 holds (2 KiB)", f"both halves are equal: {STUCK}"),
    ),
    (
        "low nibbles",
        bytes(byte & 15 | 0xF0 for byte in noise(K)),
        "",
        (f"only the low nibble varies, the high one is always 0xF: {ONLY}",),
    ),
    (
        "high nibbles",
        bytes(byte & 0xF0 for byte in noise(K)),
        "2708",
        (f"only the high nibble varies, the low one is always 0x0: {ONLY}",),
    ),
    ("low nibbles of a 4-bit part", bytes(byte & 15 for byte in noise(256)), "N82S129N", ()),
    (
        "noise in the other nibble",
        noise(256),
        "82S129",
        ("both nibbles vary, though the 82S129 has only 4 data lines",),
    ),
    (
        "packed nibbles",
        noise(128),
        "82S129",
        ("has 128 bytes, half of what the 82S129 holds (256 bytes)",),
    ),
    ("ones at the end", noise(K)[:-1] + b"\0" + b"\xff" * 512, "", (f"the last 512 bytes are all 0xFF: {ROOM}",)),
    ("a few ones at the end", noise(K)[:-1] + b"\0" + b"\xff" * 15, "", ()),
]


@pytest.mark.parametrize(("data", "part", "expected"), [row[1:] for row in SIGNS], ids=[row[0] for row in SIGNS])
def test_a_dump_is_told_by_its_signs(data: bytes, part: str, expected: tuple[str, ...]) -> None:
    assert diagnose(data, part) == expected


@given(st.binary(max_size=300), st.sampled_from(["", "82S129", "2716", "27C1024", "anything"]))
def test_any_bytes_can_be_told_of(data: bytes, part: str) -> None:
    for line in diagnose(data, part):
        assert line == line.strip()
        assert "\n" not in line


def told(part: str, size: int, *steps: dict[str, Any]) -> list[str]:
    asked = title(rom(1 << 20, *(steps or ({"at": 0, "chip": "4t"},)), fill=0), **{"4t": size})
    chips = {"4t": replace(asked.chips["4t"], part=part)}
    return [str(problem).replace(f"{FILE}: ", "") for problem in check_title(replace(asked, chips=chips))]


HALF = "then = [{ take = { from = 0, size = 2048 } }]"


@pytest.mark.parametrize(
    ("part", "size", "what", "hint"),
    [
        ("M2716", 4096, "4 KiB, twice what the 2716 holds (2 KiB)",
         f"are both halves equal? Then an address line was stuck, or it was read as a larger part: {HALF}"),
        ("2716", 8192, "8 KiB, 4 times what the 2716 holds (2 KiB)", f"do its parts repeat? {HALF}"),
        ("2716", 16384, "16 KiB, 8 times what the 2716 holds (2 KiB)",
         "the number of a part counts kilobits, 8 to a KiB"),
        ("2716", 1024, "1 KiB, half of what the 2716 holds (2 KiB)", "read it again as the part it is"),
        ("82S129", 128, "128 bytes, half of what the 82S129 holds (256 bytes)",
         'are two nibbles packed in each byte? then = [{ unpack = "low-first" }] or "high-first"'),
        ("27C1024", 65536, "64 KiB, half of what the 27C1024 holds (128 KiB)",
         "is it one byte of each 16-bit word? Then the other bytes are a dump of their own"),
        ("2716", 2064, "2,064 bytes, 16 bytes more than the 2716 holds (2 KiB)",
         "does a header stand in front? then = [{ strip = { size = 16, leaves = 2048 } }]"),
        ("2716", 1000, "1 kB, unlike what the 2716 holds (2 KiB)", "correct the size or the part"),
    ],
)  # fmt: skip
def test_a_chip_of_another_size_than_its_part_is_explained(part: str, size: int, what: str, hint: str) -> None:
    assert told(part, size) == [f"chips.4t.size: is {what}\n  see chips.4t.part\n  hint: {hint}"]


@pytest.mark.parametrize(("part", "size"), [("2716", 2048), ("", 77), ("27C256 or 2764", 77), ("club's own", 77)])
def test_a_chip_that_fits_or_names_no_known_part_is_no_problem(part: str, size: int) -> None:
    assert told(part, size) == []


@pytest.mark.parametrize(
    ("part", "size", "change"),
    [
        ("2716", 4096, {"take": {"from": 0, "size": 2048}}),
        ("82S129", 128, {"unpack": "low-first"}),
        ("2716", 2064, {"strip": {"size": 16, "leaves": 2048}}),
    ],
    ids=str,
)
def test_a_dump_of_another_shape_is_fine_where_the_first_change_makes_it_the_parts_size(
    part: str, size: int, change: dict[str, Any]
) -> None:
    good = {"chip": "4t", "then": [change, {"mirror": "8 KiB"}]}
    assert told(part, size, {"at": 0} | good) == []
    assert told(part, size, {"at": 0, "join": [good, good]}) == []
    assert len(told(part, size, {"at": 0, "join": [good, "4t"]})) == 1
