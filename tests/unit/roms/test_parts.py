"""The handbook of parts: capacities against published rules and numbers, and part numbers as makers print them."""

from __future__ import annotations

import re

import pytest

from pipeline.roms.chips.parts import EPROMS, MASK_ROMS, PARTS, PROMS, part_named

KILOBITS = re.compile(r"(?:27C?|25|23)(16|32|64|128|256|512)")


@pytest.mark.parametrize("number", [number for number in PARTS if KILOBITS.fullmatch(number)])
def test_the_digits_of_a_small_part_are_its_kilobits(number: str) -> None:
    """Source: Wikipedia, "EPROM", table of types: 2716 16 Kbit, ... 27512 512 Kbit; mask ROMs from memory."""
    match = KILOBITS.fullmatch(number)
    assert match
    assert PARTS[number].size * 8 == int(match[1]) * 1024


@pytest.mark.parametrize(
    ("number", "words", "bits"),
    [
        ("82S123", 32, 8),  # Signetics, Bipolar Memories (1973): 256-bit PROM, 32 x 8
        ("82S129", 256, 4),  # Signetics, Series 3000 handbook: 1024-bit PROM, 256 x 4
        ("82S137", 1024, 4),  # Signetics, data sheet: 4096-bit PROM, 1024 x 4
        ("82S115", 512, 8),  # Signetics, data sheet: 4096-bit PROM, 512 x 8
        ("82S131", 512, 4),  # from memory: 2048-bit PROM, 512 x 4; a generated site says 32 x 8, which is wrong
        ("28S2708", 1024, 8),  # Texas Instruments, The TTL Data Book: 8192-bit PROM, 1024 x 8
        ("27C801", 1048576, 8),  # STMicroelectronics, data sheet M27C801, Rev 6: 8 Mbit, 1 Mbit x 8
        ("27C1024", 65536, 16),  # from memory: 1 Mbit, 64K x 16
    ],
)
def test_organisations(number: str, words: int, bits: int) -> None:
    assert (PARTS[number].words, PARTS[number].bits) == (words, bits)


def test_every_row_says_where_it_is_from() -> None:
    assert all(part.source for part in PARTS.values())
    assert {part.published for part in EPROMS} == {part.published for part in PROMS} == {True, False}
    assert not any(part.published for part in MASK_ROMS)
    assert len(PARTS) == len(EPROMS) + len(PROMS) + len(MASK_ROMS), "a number stands in two rows"


def test_dumps_have_a_byte_for_a_word_of_four_bits_and_two_for_one_of_sixteen() -> None:
    assert [PARTS[number].size for number in ("82S129", "2708", "27C1024")] == [256, 1024, 131072]


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("2716", "2716"), ("M27C256B-12F1", "27C256"), ("AM2716", "2716"), ("D2764A-25", "2764"), ("tms2532jl", "2532"),
        ("27C64", "27C64"), ("HN462716G", "2716"), ("HN4827128G-25", "27128"), ("HN27128AG", "27128"),
        ("M5L2764K", "2764"), ("uPD2716D", "2716"), ("µPD2732", "2732"), ("NMC27C16Q-45", "27C16"),
        ("N82S129AN", "82S129"), ("S82S123F", "82S123"), ("SN74S288N", "74S288"), ("DM74S287N", "74S287"),
        ("TBP24S10N", "24S10"), ("TBP18SA030N", "18SA030"), ("TBP28S2708AN", "28S2708"), ("MMI 6331-1J", "6331"),
        ("HM1-7611-5", "7611"), ("HM-7602", "7602"), ("HM7603", "7603"), ("M27C1001-10F1", "27C1001"),
        ("M27C4001", "27C4001"), ("AM27C010-150DC", "27C010"), ("27C400", "27C400"), ("Signetics N82S137N", "82S137"),
        ("2764 (from the spare board)", "2764"), ("TMS23256", "23256"), ("27C256-15/B", "27C256"),
    ],
)  # fmt: skip
def test_maker_variant_and_speed_may_stand_around_the_number(text: str, number: str) -> None:
    """Forms of printing: trade knowledge, from memory."""
    part = part_named(text)
    assert part is not None
    assert part.number == number


@pytest.mark.parametrize(
    "text",
    ["", "256 bytes, no marking left", "27", "27165", "62716", "127C256", "27C2560", "unknown", "2716 or 2732",
     "M48T02", "27C0101", "82S", "28C64", "ABCDE2716"],
)  # fmt: skip
def test_other_text_names_no_part(text: str) -> None:
    assert part_named(text) is None
