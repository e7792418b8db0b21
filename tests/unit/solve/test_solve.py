"""Steps found from finished files that were made with plain slices and numpy, so that nothing of ours made them."""

from __future__ import annotations

import binascii
import struct
import zlib
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.model.manifest import Change, Piece
from pipeline.solve.manifest_text import rom_values
from pipeline.solve.solve import Solution, solve
from tests.support.recipes import counted, recipe
from tests.unit.roms.workshop import noise

A, B, C, D = (noise(4096, seed) for seed in range(4))
CHIPS = {"a": A, "b": B, "c": C, "d": D}


def steps(finished: bytes, **chips: bytes) -> list[dict[str, Any]]:
    """The steps that are found, where they explain every byte and need nothing beside them."""
    solution = solve(finished, chips or CHIPS)
    assert solution.unexplained == ()
    values = rom_values(solution.rom)
    assert values.keys() == {"steps"}
    return list(values["steps"])


def array(data: bytes) -> np.ndarray[Any, np.dtype[np.uint8]]:
    return np.frombuffer(data, np.uint8)


def lanes(parts: Sequence[bytes], unit: int = 1) -> bytes:
    """numpy's stack: one unit of each part in turn."""
    return np.stack([array(part).reshape(-1, unit) for part in parts], 1).tobytes()


def lines(data: bytes, order: Sequence[int]) -> bytes:
    """Output bit k from input bit order[k] (facts of the trade: a permutation of data lines)."""
    bits = np.unpackbits(array(data)[:, None], axis=1, bitorder="little")
    return np.packbits(bits[:, list(order)], axis=1, bitorder="little").tobytes()


def address(data: bytes, order: Sequence[int]) -> bytes:
    """o[i] = a[s], bit k of s = bit order[k] of i, one index at a time."""
    places = np.arange(len(data))
    sources = np.bitwise_or.reduce([(places >> line & 1) << k for k, line in enumerate(order)])
    return bytes(array(data)[sources])


def test_whole_chips_stand_one_after_another() -> None:
    assert steps(B + A) == [{"at": 0, "chip": "b"}, {"at": 4096, "chip": "a"}]


def test_parts_keep_their_place_in_the_chip() -> None:
    take = {"take": {"from": 1024, "size": "2 KiB"}}
    assert steps(A + B[1024:3072]) == [{"at": 0, "chip": "a"}, {"at": 4096, "chip": "b", "then": [take]}]


@pytest.mark.parametrize("unit", [1, 2, 4])
@pytest.mark.parametrize("count", [2, 3, 4])
def test_lanes_in_any_order(count: int, unit: int) -> None:
    names = ["d", "b", "a", "c"][:count]
    wanted = {"at": 0, "interleave": names, **({"unit": unit} if unit > 1 else {})}
    assert steps(lanes([CHIPS[name] for name in names], unit)) == [wanted]


def test_eight_lanes() -> None:
    chips = {f"{n}f": noise(2048, 10 + n) for n in range(8)}
    order = [f"{n}f" for n in (3, 0, 7, 1, 5, 2, 6, 4)]
    assert steps(lanes([chips[name] for name in order]), **chips) == [{"at": 0, "interleave": order}]


CHANGED = [
    ([{"swap-bytes": 16}], array(A).view("<u2").byteswap().tobytes()),
    ([{"swap-bytes": 32}], array(A).view("<u4").byteswap().tobytes()),
    ([{"swap-words": True}], array(A).view("<u2").reshape(-1, 2)[:, ::-1].tobytes()),
    ([{"reverse-bits": 8}], lines(A, range(7, -1, -1))),
    ([{"reverse-bits": 16}], lines(array(A).view("<u2").byteswap().tobytes(), range(7, -1, -1))),
    ([{"invert": True}], (~array(A)).tobytes()),
    ([{"xor": 0x5A}], (array(A) ^ 0x5A).tobytes()),
    ([{"data-lines": [4, 5, 6, 7, 0, 1, 2, 3]}], lines(A, [4, 5, 6, 7, 0, 1, 2, 3])),
    ([{"data-lines": [3, 7, 0, 2, 6, 1, 5, 4]}], lines(A, [3, 7, 0, 2, 6, 1, 5, 4])),
    ([{"blocks": {"size": "2 KiB", "order": [1, 0]}}], A[2048:] + A[:2048]),
    ([{"address-lines": [7, 0, 11, 3, 2, 9, 1, 10, 4, 8, 5, 6]}], address(A, [7, 0, 11, 3, 2, 9, 1, 10, 4, 8, 5, 6])),
    ([{"address-lines": [7, 0, 11, 3, 2, 9, 1, 10, 4, 8, 5, 6]}, {"xor": 0x21}],
     (array(address(A, [7, 0, 11, 3, 2, 9, 1, 10, 4, 8, 5, 6])) ^ 0x21).tobytes()),
    ([{"blocks": {"size": "2 KiB", "order": [1, 0]}}, {"invert": True}], (~array(A[2048:] + A[:2048])).tobytes()),
    ([{"mirror": "16 KiB"}], A * 4),
    ([{"blocks": {"size": "2 KiB", "order": [1, 0]}}, {"mirror": "8 KiB"}], (A[2048:] + A[:2048]) * 2),
]  # fmt: skip


@pytest.mark.parametrize(("then", "finished"), CHANGED, ids=lambda value: str(value)[:40])
def test_what_was_done_to_a_chip(then: list[dict[str, Any]], finished: bytes) -> None:
    assert steps(finished) == [{"at": 0, "chip": "a", "then": then}]


def test_the_data_lines_of_a_chip_of_16_bits() -> None:
    order = [5, 12, 0, 9, 15, 3, 7, 1, 11, 2, 14, 6, 8, 4, 13, 10]
    words = array(A).view("<u2").astype(np.uint32)
    moved = np.bitwise_or.reduce([(words >> line & 1) << k for k, line in enumerate(order)]).astype("<u2").tobytes()
    change = {"data-lines": {"lines": order, "byte-order": "little-endian"}}
    assert steps(moved) == [{"at": 0, "chip": "a", "then": [change]}]


def test_nibbles_of_two_chips() -> None:
    merged = ((array(B) & 15) << 4 | (array(A) & 15)).tobytes()
    assert steps(merged) == [{"at": 0, "nibbles": ["b", "a"]}]


@pytest.mark.parametrize(("packed", "order"), [("msb-first", "big"), ("lsb-first", "little")])
def test_bit_planes_of_eight_chips(packed: str, order: Any) -> None:
    chips = {f"p{k}": noise(512, 40 + k) for k in range(8)}
    bits = [np.unpackbits(array(data), bitorder=order) << k for k, data in enumerate(chips.values())]
    finished = np.bitwise_or.reduce(bits).astype(np.uint8).tobytes()
    assert steps(finished, **chips) == [{"at": 0, "planes": list(chips), "packed": packed}]


def halves(data: bytes) -> bytes:
    return data[len(data) // 2 :] + data[: len(data) // 2]


def nibbles(high: bytes, low: bytes) -> bytes:
    return ((array(high) & 15) << 4 | (array(low) & 15)).tobytes()


SCRAMBLE = [12, 5, 4, 2, 0, 7, 8, 9, 3, 11, 6, 10, 1]
HALVES = {"blocks": {"size": "2 KiB", "order": [1, 0]}}
NESTED: dict[str, tuple[bytes, dict[str, Any]]] = {
    "halves exchanged of an interleave of byte-swapped chips": (
        halves(lanes([array(data).view("<u2").byteswap().tobytes() for data in (A, B)])),
        {"interleave": [{"chip": name, "then": [HALVES, {"swap-bytes": 16}]} for name in "ab"]},
    ),
    "nibbles exchanged in one lane": (
        lanes([A, lines(B, [4, 5, 6, 7, 0, 1, 2, 3])]),
        {"interleave": ["a", {"chip": "b", "then": [{"data-lines": [4, 5, 6, 7, 0, 1, 2, 3]}]}]},
    ),
    "halves exchanged of nibbles": (halves(nibbles(A, B)), {"nibbles": ["a", "b"], "then": [HALVES]}),
    "halves exchanged of one chip of 4 bits": (
        nibbles(halves(A), B),
        {"nibbles": [{"chip": "a", "then": [HALVES]}, "b"]},
    ),
    "an interleave of nibbles": (
        lanes([nibbles(A, B), nibbles(C, D)]),
        {"interleave": [{"nibbles": ["a", "b"]}, {"nibbles": ["c", "d"]}]},
    ),
    "an interleave of chips with exchanged address lines": (
        lanes([address(A, [11, *range(11)]), address(B, [*range(1, 12), 0])]),
        {"interleave": [
            {"chip": "a", "then": [{"address-lines": [11, *range(11)]}]},
            {"chip": "b", "then": [{"address-lines": [*range(1, 12), 0]}]},
        ]},
    ),
    "address lines exchanged across two chips": (
        address(A + B, SCRAMBLE),
        {"join": ["a", "b"], "then": [{"address-lines": SCRAMBLE}]},
    ),
    "address lines exchanged across two inverted chips": (
        (~array(address(A + B, SCRAMBLE))).tobytes(),
        {"join": ["a", "b"], "then": [{"address-lines": SCRAMBLE}, {"invert": True}]},
    ),
    "a mirrored interleave": (lanes([A, B]) * 2, {"interleave": ["a", "b"], "then": [{"mirror": "16 KiB"}]}),
}  # fmt: skip


@pytest.mark.parametrize("case", NESTED)
def test_two_operations_within_one_another(case: str) -> None:
    finished, wanted = NESTED[case]
    assert steps(finished) == [{"at": 0, **wanted}]


def test_a_fill_between_two_interleaves_is_no_lane() -> None:
    finished = lanes([A, B], 2) + b"\xff" * 100 + lanes([C, D], 2)
    solution = solve(finished, CHIPS)
    assert rom_values(solution.rom) == {
        "fill": 255,
        "steps": [
            {"at": 0, "interleave": ["a", "b"], "unit": 2},
            {"at": 8292, "interleave": ["c", "d"], "unit": 2},
        ],
    }


def test_a_container_is_recognised_by_its_table() -> None:
    """The table written with struct: names of 12 bytes, then offset, size and CRC-32, little-endian; padded with FF."""
    parts = {"MOTH": A, "LAMP": B[:1000]}
    table = b"".join(
        struct.pack("<12s3I", name.encode(), 64 + 4096 * n, len(part), zlib.crc32(part))
        for n, (name, part) in enumerate(parts.items())
    )
    finished = table.ljust(64, b"\0") + A + B[:1000].ljust(4096, b"\xff")
    assert steps(finished, a=A, lamp=B[:1000]) == [
        {
            "at": 0,
            "container": [{"name": "MOTH", "chip": "a"}, {"name": "LAMP", "chip": "lamp"}],
            "name-width": 12,
            "fields": ["offset", "size", "crc-32"],
            "byte-order": "little-endian",
            "table-size": 64,
            "slot-size": "4 KiB",
            "slot-fill": 255,
        }
    ]


def test_a_container_by_names_alone_and_of_equal_chips() -> None:
    finished = b"FIRST   SECOND  THIRD   " + A + A + B
    assert steps(finished, a=A, b=B) == [
        {
            "at": 0,
            "container": [{"name": "FIRST", "chip": "a"}, {"name": "SECOND", "chip": "a"},
                          {"name": "THIRD", "chip": "b"}],
            "name-width": 8,
            "table-fill": 32,
            "slot-size": "4 KiB",
            "slot-fill": 0,
        }
    ]  # fmt: skip


def test_text_before_chips_is_a_header_and_no_table() -> None:
    solution = solve(b"A title with blanks in it, and a version: 1.02  " + A + B, CHIPS)
    assert [next(iter(step.keys() - {"at"})) for step in rom_values(solution.rom)["steps"]] == ["bytes", "chip", "chip"]


def test_a_fill_of_letters_before_chips_is_a_fill_and_no_names() -> None:
    values = rom_values(solve(b"Z" * 528 + A + B, CHIPS).rom)
    assert values == {"fill": 0x5A, "steps": [{"at": 528, "chip": "a"}, {"at": 4624, "chip": "b"}]}


def test_one_lane_in_other_lines_than_the_rest() -> None:
    found = steps(lanes([A, (~array(B)).tobytes(), C, address(D, [11, *range(11)])]))
    wanted = ["a", {"chip": "b", "then": [{"invert": True}]}, "c",
              {"chip": "d", "then": [{"address-lines": [11, *range(11)]}]}]  # fmt: skip
    assert found == [{"at": 0, "interleave": wanted}]


def test_what_is_done_to_every_lane_is_done_to_the_whole() -> None:
    found = steps(lines(lanes([A, B]), range(7, -1, -1)))
    assert found == [{"at": 0, "interleave": ["a", "b"], "then": [{"reverse-bits": 8}]}]


def test_header_fill_and_trailer() -> None:
    solution = solve(b"KILN0001" + A + b"\xff" * 1000 + B + b"OVER", CHIPS)
    assert rom_values(solution.rom) == {
        "fill": 255,
        "steps": [
            {"at": 0, "bytes": "4B 49 4C 4E 30 30 30 31"},
            {"at": 8, "chip": "a"},
            {"at": 5104, "chip": "b"},
            {"at": 9200, "bytes": "4F 56 45 52"},
        ],
    }
    assert solution.unused == ("c", "d")


def test_a_pattern_is_a_fill() -> None:
    assert steps(A + b"\xde\xad" * 64)[1] == {"at": 4096, "fill": "DE AD", "size": 128}


def test_a_second_value_of_runs_is_a_step() -> None:
    finished = A + b"\xff" * 64 + B + b"\0" * 64 + C + b"\xff" * 64 + D
    solution = solve(finished, CHIPS)
    assert rom_values(solution.rom)["fill"] == 255
    assert rom_values(solution.rom)["steps"][2] == {"at": 8256, "fill": 0, "size": 64}


def test_a_few_changed_bytes_are_an_overlay() -> None:
    finished = A[:100] + bytes([A[100] ^ 1, A[101] ^ 255]) + A[102:]
    overlay = {"at": 100, "old": A[100:102].hex(" ").upper(), "new": finished[100:102].hex(" ").upper()}
    assert steps(finished) == [{"at": 0, "chip": "a", "then": [{"overlay": overlay}]}]


def test_a_chip_that_lies_over_another() -> None:
    small = noise(256, 9)
    finished = A[:1024] + small + A[1280:]
    assert steps(finished, a=A, small=small) == [{"at": 0, "chip": "a"}, {"at": 1024, "chip": "small", "over": True}]


def sum16(data: bytes) -> bytes:
    return (-sum(data) % 65536).to_bytes(2, "big")


FIELDS = [
    ("crc-32", zlib.crc32(A + B).to_bytes(4, "little"), {"at": 8192, "byte-order": "little-endian"}),
    (
        "crc-16",
        binascii.crc_hqx(A + B, 0xFFFF).to_bytes(2, "big"),
        {"at": 8192, "poly": 0x1021, "init": 0xFFFF, "reflected": False, "xor-out": 0, "byte-order": "big-endian"},
    ),
    ("sum", sum16(A + B), {"at": 8192, "bits": 16, "form": "negated", "byte-order": "big-endian"}),
    ("sum", bytes([sum(A + B) & 255]), {"at": 8192, "bits": 8, "form": "plain"}),
]


@pytest.mark.parametrize(("operation", "value", "arguments"), FIELDS, ids=["crc-32", "crc-16", "sum16", "sum8"])
def test_check_fields_are_recognised(operation: str, value: bytes, arguments: dict[str, Any]) -> None:
    """zlib's CRC-32, binascii's CRC-16 and plain sums are the judges."""
    solution = solve(A + B + value, CHIPS)
    assert rom_values(solution.rom)["then"] == [{operation: arguments}]
    assert rom_values(solution.rom)["steps"] == [{"at": 0, "chip": "a"}, {"at": 4096, "chip": "b"}]


def test_a_check_field_inside_a_chip() -> None:
    body = A[:-4] + B
    finished = A[:-4] + zlib.crc32(body).to_bytes(4, "big") + B
    solution = solve(finished, CHIPS)
    assert rom_values(solution.rom) == {
        "then": [{"crc-32": {"at": 4092, "byte-order": "big-endian"}}],
        "steps": [{"at": 0, "chip": "a"}, {"at": 4096, "chip": "b"}],
    }


def test_chips_of_equal_content_are_told_and_named_in_turn() -> None:
    solution = solve(A + B + A, {"one": A, "two": A, "b": B})
    assert [step["chip"] for step in rom_values(solution.rom)["steps"]] == ["one", "b", "two"]
    assert solution.notes == (
        'chips "one" and "two" hold the same bytes; any of them may stand where one of them is named',
    )


def test_a_fill_that_may_be_a_chip_is_told() -> None:
    solution = solve(A + b"\xff" * 4096, {"a": A, "blank": b"\xff" * 4096})
    assert solution.notes == ('the fill at 0x1000 may as well be chip "blank", which holds nothing but 0xFF',)


def test_a_check_field_of_one_byte_is_said_to_fit_by_chance() -> None:
    """One byte in 256 is any given value; a sum of 16 bits is not doubted."""
    finished = A + B
    assert solve(finished + bytes([sum(finished) & 255]), {"a": A, "b": B}).notes == (
        "the check field sum at 0x2000 is 1 byte, which can fit by chance: try the steps on another finished file",
    )
    assert solve(finished + sum16(finished), {"a": A, "b": B}).notes == ()


def test_what_nothing_explains_is_told_with_what_it_looks_like() -> None:
    text = b"".join(b"%d moths were counted by lamp light. " % (n * n) for n in range(40))
    finished = A + text[:999] + B + noise(2000, 77) + C + bytes((3 * n) & 255 for n in range(1000))
    solution = solve(finished, CHIPS)
    assert [(run.start, run.end, run.looks) for run in solution.unexplained] == [
        (0x1000, 0x13E7, 'text, beginning "0 moths were counted by "'),
        (0x23E7, 0x2BB7, "noise, or packed or encrypted"),
        (0x3BB7, 0x3F9F, "a counter in steps of 3"),
    ]
    assert solution.explained == len(finished) - 999 - 2000 - 1000


def test_a_chip_that_is_nearly_the_one_is_named() -> None:
    other = bytearray(A)
    for at in range(0, 4096, 16):
        other[at] ^= 0x40
    (run,) = solve(B + bytes(other), CHIPS).unexplained
    assert run.looks == 'like chip "a" but for 256 bytes'


@pytest.mark.parametrize("finished", [b"\0", b"x", noise(7, 1), b"\xff" * 100, noise(3000, 5), bytes(range(256)) * 20])
def test_any_file_gets_an_answer(finished: bytes) -> None:
    solution = solve(finished, {"a": A, "one": b"\1", "blank": bytes(64), "nothing": b""})
    assert solution.rom.size == len(finished)
    assert solution.explained + sum(run.end - run.start for run in solution.unexplained) == len(finished)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.sampled_from("abcd"), st.integers(0, 255), st.integers(1, 300)), max_size=6), st.data())
def test_what_is_found_gives_the_file(parts: list[tuple[str, int, int]], data: st.DataObject) -> None:
    """``solve`` assembles what it found and compares; here are files that no recipe made."""
    small = {name: chip[:256] for name, chip in CHIPS.items()}
    finished = b"".join(small[name][start : start + size] for name, start, size in parts)
    finished += data.draw(st.binary(min_size=1, max_size=40))
    assert isinstance(solve(finished, small), Solution)


def test_the_answer_is_the_same_each_time() -> None:
    made = recipe(3)
    assert solve(made.finished, made.chips) == solve(made.finished, made.chips)


def unsolved(seeds: range) -> list[int]:
    """The random recipes that are not explained to the last byte with at most as many steps."""
    bad = []
    for seed in seeds:
        made = recipe(seed)
        solution = solve(made.finished, made.chips)
        if solution.unexplained or counted(solution.rom) > counted(made.rom):
            bad.append(seed)
    return bad


WANTED_OPERATIONS = {
    "chip", "join", "interleave", "nibbles", "planes", "container", "bytes", "fill", "take", "mirror", "blocks",
    "swap-bytes", "swap-words", "reverse-bits", "invert", "data-lines", "address-lines", "xor", "sum", "xor-check",
    "crc-16", "crc-32",
}  # fmt: skip


def used_in(made: Piece) -> Iterator[Piece | Change]:
    yield made
    yield from made.then
    for part in made.parts:
        yield from used_in(part)


def test_the_random_recipes_have_every_operation_that_is_promised() -> None:
    """Each at least ten times in 300 recipes, and so lanes, units, nibble exchange, chips used twice and not at all."""
    counts = Counter[str]()
    for seed in range(300):
        made = recipe(seed)
        names = Counter[str]()
        for one in (one for step in made.rom.steps for one in used_in(step.piece)):
            counts[one.operation] += 1
            if isinstance(one, Piece) and one.operation == "interleave":
                counts[f"{len(one.parts)} lanes"] += 1
                counts[f"units of {one.arguments.get('unit', 1)}"] += 1
            if isinstance(one, Piece) and one.operation == "chip":
                names[one.name] += 1
            counts["nibbles exchanged"] += one == Change(operation="data-lines", arguments=(4, 5, 6, 7, 0, 1, 2, 3))
        counts.update(one.operation for one in made.rom.then)
        counts["a chip twice"] += max(names.values(), default=0) > 1
        counts["a chip not used"] += len(names) < len(made.chips)
    wanted = {*WANTED_OPERATIONS, *(f"{n} lanes" for n in (2, 3, 4, 8)), *(f"units of {n}" for n in (1, 2, 4)),
              "nibbles exchanged", "a chip twice", "a chip not used"}  # fmt: skip
    assert {name for name in wanted if counts[name] < 10} == set()


@pytest.mark.parametrize("seed", [60, 263, 366, 902])
def test_recipes_that_were_not_found_once_are_found(seed: int) -> None:
    assert unsolved(range(seed, seed + 1)) == []


def test_random_recipes_are_found_with_no_more_steps() -> None:
    assert len(unsolved(range(2000, 2036))) <= 1


@pytest.mark.long
def test_of_a_thousand_random_recipes_97_of_100_are_found() -> None:
    assert len(unsolved(range(1000))) <= 30
