"""What can be said of a title's ROM files without any byte: every message whole, at its key."""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.roms.assemble import check_title
from pipeline.roms.operations.table import CHANGES as KNOWN
from tests.unit.roms.workshop import problems, rom, title

K = 1024
CHIPS = {"a": 4 * K, "b": 4 * K, "s": 1000}
NO_FILL = "place them, or give the byte of the holes: fill = 0xFF"
OVER = "move one of them, or write over = true here if this step is to win"


def of_piece(table: dict[str, Any]) -> list[str]:
    """Return what is said of a piece at address 0 of a ROM file that takes pieces of any size."""
    return problems(1 << 20, {"at": 0} | table, chips=CHIPS, fill=0)


def test_steps_that_fit_have_no_problem() -> None:
    steps = [
        {"at": 0, "chip": "a"},
        {"at": 4 * K, "interleave": ["a", "b"]},
        {"at": 12 * K, "fill": 0, "size": "4 KiB"},
    ]
    assert problems(16 * K, *steps, chips=CHIPS) == []
    assert problems(20 * K, *steps, chips=CHIPS, fill=0xFF) == []


PLACED = [
    (
        "a hole",
        4 * K + 16,
        [{"at": 16, "chip": "a"}],
        [
            "rom.1: nothing is placed at 0x0000 to 0x000F (16 bytes); expected every byte, since there is no fill",
            NO_FILL,
        ],
    ),
    (
        "many holes",
        64 * K,
        [{"at": n * 8 * K, "chip": "a"} for n in range(7)],
        [
            "rom.1: nothing is placed at 0x1000 to 0x1FFF, 0x3000 to 0x3FFF, 0x5000 to 0x5FFF, 0x7000 to 0x7FFF, ... "
            "(36 KiB); expected every byte, since there is no fill",
            NO_FILL,
        ],
    ),
    (
        "a piece beyond the end",
        4 * K,
        [{"at": 1, "chip": "a"}],
        [
            "rom.1: nothing is placed at 0x0000 (1 byte); expected every byte, since there is no fill",
            NO_FILL,
            "rom.1.steps.1.at: the piece lies at 0x0001 to 0x1000; the ROM file ends with 0x0FFF",
        ],
    ),
    (
        "an overlap",
        8 * K - 1,
        [{"at": 0, "chip": "a"}, {"at": 4 * K - 1, "chip": "b"}],
        [
            "rom.1.steps.2.at: 0x0FFF to 0x1FFE overlaps 0x0000 to 0x0FFF of an earlier step",
            "see rom.1.steps.1.at",
            OVER,
        ],
    ),
    (
        "an overlap with a step that was allowed one",
        4 * K,
        [{"at": 0, "chip": "a"}, {"at": 16, "bytes": "00 01", "over": True}, {"at": 17, "bytes": "02"}],
        [
            "rom.1.steps.3.at: 0x0011 overlaps 0x0010 to 0x0011 of an earlier step",
            "see rom.1.steps.2.at",
            OVER,
        ],
    ),
]


@pytest.mark.parametrize(("size", "steps", "expected"), [row[1:] for row in PLACED], ids=[row[0] for row in PLACED])
def test_pieces_must_lie_where_they_can(size: int, steps: list[dict[str, Any]], expected: list[str]) -> None:
    told = "\n".join(problems(size, *steps, chips=CHIPS))
    assert [line.removeprefix("  ").removeprefix("hint: ") for line in told.splitlines()] == expected


def test_a_step_may_replace_what_earlier_ones_placed() -> None:
    assert problems(4 * K, {"at": 0, "chip": "a"}, {"at": 8, "bytes": "00", "over": True}, chips=CHIPS) == []


def test_neighbours_do_not_overlap() -> None:
    assert problems(8 * K, {"at": 4 * K, "chip": "a"}, {"at": 0, "chip": "b"}, chips=CHIPS) == []


DECLARE = "\n  hint: declare it as [chips.zz9] with its size and sha256"
AT = "rom.1.steps.1"
PIECES: list[tuple[dict[str, Any], list[str]]] = [
    ({"chip": "zz9"}, [f'{AT}.chip: no chip "zz9" in this title{DECLARE}']),
    ({"chip": ""}, [f'{AT}.chip: "" is not the name of a chip; expected one in quotes']),
    ({"join": ["a", "zz9"]}, [f'{AT}.join.2: no chip "zz9" in this title{DECLARE}']),
    (
        {"join": ["a", {"chip": "zz9", "then": [{"invert": True}]}]},
        [f'{AT}.join.2.chip: no chip "zz9" in this title{DECLARE}'],
    ),
    ({"join": ["a"]}, [f"{AT}.join: expected 2 to 65,536 pieces, found 1"]),
    (
        {"stack": ["a", "b"]},
        [
            f"{AT}.stack: no such operation\n"
            "  hint: known are bytes, chip, container, fill, interleave, join, nibbles, planes"
        ],
    ),
    ({"interleaves": ["a", "b"]}, [f'{AT}.interleaves: no such operation\n  hint: did you mean "interleave"?']),
    ({"interleave": ["a", "b", "a", "b", "a"]}, [f"{AT}.interleave: expected 2, 3, 4 or 8 pieces, found 5"]),
    ({"interleave": ["a", "s"]}, [f"{AT}.interleave: parts have 4,096, 1,000 bytes; expected equal sizes"]),
    ({"interleave": ["a", "b"], "unit": 3}, [f"{AT}.unit: 3 is out of place; expected 1, 2 or 4"]),
    ({"interleave": ["a", "b"], "units": 1}, [f'{AT}.units: unknown key\n  hint: did you mean "unit"?']),
    (
        {"interleave": [{"bytes": "01 02 03"}, {"bytes": "04 05 06"}], "unit": 2},
        [f"{AT}.interleave: has 3 bytes; expected a whole number of 2-byte units"],
    ),
    ({"nibbles": ["a", "b", "a"]}, [f"{AT}.nibbles: expected 2 pieces, found 3"]),
    ({"nibbles": ["a", "s"]}, [f"{AT}.nibbles: parts have 4,096, 1,000 bytes; expected equal sizes"]),
    ({"planes": ["a"] * 9}, [f"{AT}.planes: expected 2 to 8 pieces, found 9"]),
    (
        {"planes": ["a", "b"], "packed": "yes"},
        [f'{AT}.packed: "yes" is out of place; expected "msb-first" or "lsb-first"'],
    ),
    ({"bytes": "DE A"}, [f"{AT}.bytes: 'DE A' is not hexadecimal text; expected pairs of digits such as \"DE AD\""]),
    ({"bytes": 7}, [f'{AT}.bytes: 7 is not hexadecimal text; expected pairs of digits such as "DE AD"']),
    ({"bytes": ""}, [f"{AT}.bytes: has 0 bytes; expected one or more"]),
    ({"fill": 0}, [f'{AT}.fill: size is missing; expected whole bytes or text such as "4 KiB"']),
    (
        {"fill": 256, "size": 1},
        [f'{AT}.fill: 256 is out of place; expected a byte (0x00 to 0xFF) or hexadecimal text such as "DE AD"'],
    ),
    ({"fill": "", "size": 1}, [f"{AT}.fill: the pattern has no bytes; expected one or more"]),
    ({"fill": "01 02", "size": 3}, [f"{AT}.fill: has 3 bytes; expected a whole number of 2-byte units"]),
    ({"fill": 0, "size": 0}, [f"{AT}.fill: has 0 bytes; expected one or more"]),
    ({"fill": 0, "size": "5 KX"}, [f"{AT}.size: '5 KX' is not a size; expected whole bytes or text such as \"4 KiB\""]),
]


@pytest.mark.parametrize(("table", "expected"), PIECES, ids=[str(row[0]) for row in PIECES])
def test_a_piece_is_refused(table: dict[str, Any], expected: list[str]) -> None:
    assert of_piece(table) == expected


CHANGES: list[tuple[dict[str, Any], str]] = [
    ({"takes": 1}, 'takes: no such change\n  hint: did you mean "take"?'),
    ({"take": "2 KiB"}, 'take: "2 KiB" is out of place; expected a table with from and size'),
    ({"take": {"from": 0}}, 'take: size is missing; expected whole bytes or text such as "4 KiB"'),
    (
        {"take": {"from": 0, "size": True}},
        'take.size: True is not a size; expected whole bytes or text such as "4 KiB"',
    ),
    ({"take": {"from": 0, "size": [1]}}, 'take.size: [1] is not a size; expected whole bytes or text such as "4 KiB"'),
    ({"take": {"from": 0x800, "size": 0x801}}, "take: needs 0x0800 to 0x1000; the piece ends with 0x0FFF"),
    ({"take": {"from": 0, "size": 0}}, "take: has 0 bytes; expected one or more"),
    (
        {"strip": {"size": 16}},
        "strip: checks nothing; expected header (its first bytes) or leaves (the size that remains)",
    ),
    ({"strip": {"size": 1, "header": "01 02"}}, "strip: has a size of 1; expected the 2 bytes of its header at least"),
    ({"strip": {"size": 16, "leaves": "4 KiB"}}, "strip: leaves 4,080 bytes; expected 4 KiB"),
    ({"strip": {"size": 5000, "header": "01"}}, "strip: needs 0x0000 to 0x1387; the piece ends with 0x0FFF"),
    ({"strip": {"size": 4096, "leaves": 0}}, "strip: has 0 bytes; expected one or more"),
    ({"mirror": "6 KiB"}, "mirror: 6 KiB is not a whole multiple of the piece, which has 4 KiB"),
    ({"mirror": "2 KiB"}, "mirror: 2 KiB is not a whole multiple of the piece, which has 4 KiB"),
    ({"mirror": 0}, "mirror: has 0 bytes; expected one or more"),
    ({"pad": {"to": "2 KiB", "fill": 0}}, "pad: to 2 KiB would cut the piece, which has 4 KiB"),
    ({"pad": {"to": "8 KiB"}}, "pad: fill is missing; expected a whole number from 0x00 to 0xFF"),
    (
        {"pad": {"to": "power", "fill": 0}},
        "pad.to: 'power' is not a size; expected whole bytes or text such as \"4 KiB\"",
    ),
    ({"blocks": {"size": 1000, "order": [0]}}, "blocks: has 4,096 bytes; expected a whole number of 1000-byte units"),
    ({"blocks": {"size": 0, "order": [0]}}, "blocks: has blocks of 0 bytes; expected one or more"),
    ({"blocks": {"size": 1024, "order": []}}, "blocks.order: [] is out of place; expected a list of whole numbers"),
    ({"blocks": {"size": 1024, "order": [0, 4, -1]}}, "blocks: names blocks -1, 4; the piece has blocks 0 to 3"),
    (
        {"blocks": {"size": 1024, "order": [0, 1, 2]}},
        "blocks: leaves out block 3; expected every block, or may-omit = true",
    ),
    (
        {"blocks": {"size": 1024, "order": [0, 1, 1, 2, 3]}},
        "blocks: repeats block 1; expected every block once, or may-repeat = true",
    ),
    ({"lane": {"number": 2, "of": 2}}, "lane: asks for lane 2; 2 lanes are numbered 0 to 1"),
    ({"lane": {"number": 0, "of": 5}}, "lane.of: 5 is out of place; expected 2, 3, 4 or 8"),
    (
        {"overlay": {"at": 0, "old": "01", "new": "02 03"}},
        "overlay: has 1 old and 2 new bytes; expected equally many, and one at least",
    ),
    (
        {"overlay": {"at": 4095, "old": "01 02", "new": "02 03"}},
        "overlay: needs 0x0FFF to 0x1000; the piece ends with 0x0FFF",
    ),
    ({"swap-bytes": 2}, "swap-bytes: 2 is out of place; expected 16, 32 or 64"),
    ({"swap-words": 32}, "swap-words: 32 is out of place; expected true"),
    ({"swap-words": {"bits": 32}}, "swap-words.bits: unknown key\n  hint: it takes no arguments"),
    ({"reverse-bits": "8"}, 'reverse-bits: "8" is out of place; expected 8, 16 or 32'),
    (
        {"data-lines": [0, 1, 2, 3, 4, 5, 6, 6]},
        "data-lines: [0, 1, 2, 3, 4, 5, 6, 6] is not a permutation; expected every line from 0 to 7 once",
    ),
    ({"data-lines": [1, 0]}, "data-lines: has 2 lines; expected 8 or 16"),
    (
        {"data-lines": list(range(16))},
        "data-lines: has 16 lines and byte-order none; expected it for 16 lines, and for no others",
    ),
    (
        {"data-lines": {"lines": list(range(8)), "byte-order": "big-endian"}},
        'data-lines: has 8 lines and byte-order "big-endian"; expected it for 16 lines, and for no others',
    ),
    ({"address-lines": list(range(11))}, "address-lines: has 11 lines, for 2,048 bytes; the piece has 4,096"),
    ({"address-lines": [0, 2]}, "address-lines: [0, 2] is not a permutation; expected every line from 0 to 1 once"),
    ({"nibble": "upper"}, 'nibble: "upper" is out of place; expected "low" or "high"'),
    (
        {"nibble": {"take": "low", "rest": 16}},
        "nibble.rest: 16 is out of place; expected a whole number from 0x0 to 0xF",
    ),
    ({"plane": 8}, "plane: 8 is out of place; expected a whole number from 0 to 7"),
    ({"xor": {}}, "xor: has nothing to combine with; expected value, pattern or chip"),
    ({"xor": {"value": 1, "pattern": "01"}}, "xor: has value and pattern; expected value, pattern or chip"),
    ({"xor": {"pattern": ""}}, "xor: the pattern has no bytes; expected one or more"),
    ({"xor": {"chip": "s"}}, "xor: combines 4,096 bytes with a chip of 1,000; expected equal sizes"),
    ({"xor": {"chip": "aa"}}, 'xor.chip: no chip "aa" in this title\n  hint: did you mean "a"?'),
    ({"invert": False}, "invert: false is out of place; expected true"),
    ({"and": 256}, "and: 256 is out of place; expected a whole number from 0x00 to 0xFF"),
    ({"sum": {"at": 0, "bits": 16, "form": "plain"}}, "sum: needs byte-order for numbers of more than 8 bits"),
    (
        {"sum": {"at": 0, "bits": 8, "form": "plain", "byte-order": "big-endian"}},
        "sum: has a byte-order, but only numbers of 8 bits, which have none",
    ),
    (
        {"sum": {"at": 1, "bits": 16, "of": 16, "form": "plain", "byte-order": "big-endian"}},
        "sum: has a field of 16 bits at 0x0001 that cuts a 16-bit number of the range",
    ),
    (
        {"sum": {"at": 0, "bits": 16, "of": 16, "form": "plain", "byte-order": "big-endian", "from": 2, "size": 9}},
        "sum: has 9 bytes; expected a whole number of 2-byte units",
    ),
    (
        {"sum": {"at": 4096, "bits": 8, "form": "plain"}},
        "sum: checks 0x0000 to 0x0FFF and writes 0x1000; the piece ends with 0x0FFF",
    ),
    (
        {"crc-32": {"at": 2, "byte-order": "big-endian", "from": 4}},
        "crc-32: has a field of 4 bytes at 0x0002 that lies partly in its range",
    ),
    (
        {"crc-32": {"at": 0, "byte-order": "big-endian", "from": 4, "size": 4093}},
        "crc-32: checks 0x0004 to 0x1000 and writes 0x0000 to 0x0003; the piece ends with 0x0FFF",
    ),
    (
        {"sum": {"at": 5, "bits": 8, "form": "plain", "from": 5, "size": 1}},
        "sum: checks nothing but its own field, 0x0005; expected other bytes too",
    ),
    (
        {"crc-32": {"at": 8, "byte-order": "big-endian", "field": "zero", "from": 8, "size": 4}},
        "crc-32: checks nothing but its own field, 0x0008 to 0x000B; expected other bytes too",
    ),
    (
        {"xor-check": {"at": 4095, "from": 4095}},
        "xor-check: checks nothing but its own field, 0x0FFF; expected other bytes too",
    ),
    (
        {"xor-check": {"at": 0, "from": 4096}},
        "xor-check: checks 0x1000 and writes 0x0000; the piece ends with 0x0FFF",
    ),
    (
        {"sum": {"at": 0, "bits": 8, "form": "plain", "total": 1}},
        'sum: has a total, which only form = "negated" comes to; found form = "plain"',
    ),
    (
        {"sum": {"at": 0, "bits": 8, "form": "negated", "total": 256}},
        "sum: has the total 0x0100; expected one of 8 bits",
    ),
    (
        {"sum": {"at": 0, "bits": 8, "form": "negated", "carry": "end-around"}},
        'sum: has an end-around carry, where a negated number is an inverted one: write form = "inverted"',
    ),
    (
        {"crc-16": {"at": 0, "poly": 0, "init": 0, "reflected": False, "xor-out": 0, "byte-order": "big-endian"}},
        "crc-16.poly: 0 is out of place; expected a whole number from 0x0001 to 0xFFFF",
    ),
    (
        {"crc-32": {"at": 0, "poly": 0, "byte-order": "big-endian"}},
        "crc-32.poly: 0 is out of place; expected a whole number from 0x0001 to 0xFFFFFFFF",
    ),
    (
        {"crc-32": {"at": 0, "init": 1 << 32, "byte-order": "big-endian"}},
        "crc-32.init: 4294967296 is out of place; expected a whole number from 0x0000 to 0xFFFFFFFF",
    ),
]


@pytest.mark.parametrize(("change", "expected"), CHANGES, ids=[str(row[0]) for row in CHANGES])
def test_a_change_is_refused(change: dict[str, Any], expected: str) -> None:
    assert of_piece({"chip": "a", "then": [change]}) == [f"{AT}.then.1.{expected}"]


@pytest.mark.parametrize(
    "change",
    [{"swap-bytes": 16}, {"swap-words": True}, {"lane": {"number": 0, "of": 2}}, {"pack": "low-first"},
     {"plane": {"bit": 0, "packed": "msb-first"}}, {"reverse-bits": 32},
     {"data-lines": {"lines": list(range(16)), "byte-order": "big-endian"}}],
    ids=str,
)  # fmt: skip
def test_units_that_are_cut_short_are_refused(change: dict[str, Any]) -> None:
    ((name, _),) = change.items()
    told = of_piece({"bytes": "01 02 03", "then": [change]})
    assert len(told) == 1
    assert told[0].startswith(f"{AT}.then.1.{name}: has 3 bytes; expected a whole number of ")


def test_all_problems_are_told_at_once() -> None:
    table = {"join": [{"interleave": ["a", "s"]}, {"chip": "q", "then": [{"mirror": "x"}]}], "then": [{"fold": 1}]}
    assert problems(
        1024,
        {"at": 0} | table,
        {"at": 0, "fill": 300, "size": -1},
        {"at": 1020, "bytes": "00 11 22 33 44"},
        chips=CHIPS,
    ) == [
        f'{AT}.join.2.chip: no chip "q" in this title\n  hint: declare it as [chips.q] with its size and sha256',
        f"{AT}.join.2.then.1.mirror: 'x' is not a size; expected whole bytes or text such as \"4 KiB\"",
        f"{AT}.then.1.fold: no such change\n  hint: known are {', '.join(sorted(KNOWN))}",
        'rom.1.steps.2.fill: 300 is out of place; expected a byte (0x00 to 0xFF) or hexadecimal text such as "DE AD"',
        'rom.1.steps.2.size: -1 is not a size; expected whole bytes or text such as "4 KiB"',
        "rom.1.steps.3.at: the piece lies at 0x03FC to 0x0400; the ROM file ends with 0x03FF",
    ]


def test_the_whole_keeps_its_size() -> None:
    whole = [{"swap-bytes": 16}, {"take": {"from": 0, "size": "2 KiB"}}]
    assert problems(4 * K, {"at": 0, "chip": "a"}, chips=CHIPS, then=whole) == [
        "rom.1.then: changes the size to 2,048 bytes; expected 4,096 as declared"
    ]


def test_what_is_done_to_the_whole_is_checked_too() -> None:
    assert problems(1000, {"at": 0, "chip": "s"}, chips=CHIPS, then=[{"swap-bytes": 32}, {"xor": {"chip": "t"}}]) == [
        'rom.1.then.2.xor.chip: no chip "t" in this title\n  hint: declare it as [chips.t] with its size and sha256'
    ]


def test_a_chip_without_a_size_is_told_and_nothing_that_follows_from_it() -> None:
    assert problems(4 * K, {"at": 0, "join": ["a", "u"]}, chips={"a": 4 * K, "u": None}) == [
        "chips.u.size: the size is missing; expected how many bytes the dump has"
    ]


def test_every_rom_file_is_checked() -> None:
    asked = title(rom(2 * K, {"at": 0, "chip": "a"}), rom(4 * K, {"at": 1, "chip": "a"}, fill=0, number=2), a=4 * K)
    assert [problem.place.key for problem in check_title(asked)] == ["rom.1.steps.1.at", "rom.2.steps.1.at"]


def test_more_operations_than_any_rom_file_needs_are_refused() -> None:
    told = of_piece({"chip": "a", "then": [{"invert": True}] * 2000})
    assert told == [f"{AT}.then.100.invert: is number 101 of the operations on one piece; expected 100 at most"]


def test_more_bytes_than_any_core_loads_are_refused() -> None:
    whole = [{"at": 0, "fill": 0, "size": "2 GiB", "then": [{"take": {"from": 0, "size": 1}}]}]
    assert problems(1 << 31, *whole, chips={}, fill=0) == [
        "rom.1.size: is 2 GiB; expected 1 GiB at most",
        "rom.1.steps.1.fill: has 2,147,483,648 bytes; expected 1 GiB at most",
    ]


def test_more_address_lines_than_any_chip_has_are_refused() -> None:
    told = of_piece({"chip": "a", "then": [{"address-lines": list(range(5000))}]})
    assert told == [f"{AT}.then.1.address-lines: has 5,000 lines; expected 32 at most"]
