"""What must hold for any bytes: each operation undone by its inverse, and sizes known before any byte is."""

from __future__ import annotations

import inspect
from functools import reduce
from operator import xor
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.roms.assemble import check_title
from pipeline.roms.operations.operation import Operation, parameter
from pipeline.roms.operations.table import CHANGES, PIECES
from tests.unit.roms.workshop import changed, made, noise, problems, rom, title

UNITS = st.integers(1, 24).flatmap(lambda count: st.binary(min_size=16 * count, max_size=16 * count))
GROUPS = st.integers(1, 8).flatmap(lambda count: st.binary(min_size=96 * count, max_size=96 * count))
"""Bytes that are a whole number of groups, whatever the number of lanes and the size of their units."""
NIBBLES = UNITS.map(lambda data: bytes(byte & 15 for byte in data))


@given(GROUPS, st.sampled_from([2, 3, 4, 8]), st.sampled_from([1, 2, 4]))
def test_lanes_interleaved_give_the_whole_back(data: bytes, lanes: int, unit: int) -> None:
    parts = {
        f"l{n}": changed(data, {"lane": {"number": n, "of": lanes, "unit": unit}}, size=len(data) // lanes)
        for n in range(lanes)
    }
    assert made({"interleave": list(parts), "unit": unit}, parts, len(data)) == data


@given(UNITS, st.sampled_from([None, "msb-first", "lsb-first"]))
def test_planes_put_together_give_the_whole_back(data: bytes, packed: str | None) -> None:
    more = {"packed": packed} if packed else {}
    size = len(data) // 8 if packed else len(data)
    parts = {f"p{bit}": changed(data, {"plane": {"bit": bit} | more}, size=size) for bit in range(8)}
    assert made({"planes": list(parts)} | more, parts, len(data)) == data


@given(UNITS)
def test_nibbles_put_together_give_the_whole_back(data: bytes) -> None:
    parts = {take: changed(data, {"nibble": take}) for take in ("high", "low")}
    assert made({"nibbles": ["high", "low"]}, parts, len(data)) == data


@given(NIBBLES, st.sampled_from(["low-first", "high-first"]))
def test_packed_nibbles_unpack(data: bytes, order: str) -> None:
    packed = changed(data, {"pack": order}, size=len(data) // 2)
    assert changed(packed, {"unpack": order}, size=len(data)) == data


SHAPES: list[dict[str, Any]] = [
    {"chip": "dump"},
    {"chip": "ones", "then": [{"nibble": {"take": "low", "rest": 15}}]},
    {"chip": "upper", "then": [{"nibble": {"take": "high", "rest": 0}}]},
    {"chip": "packed", "then": [{"unpack": "high-first"}]},
]


@given(NIBBLES, st.sampled_from(SHAPES), st.sampled_from(SHAPES))
def test_the_four_shapes_of_a_4_bit_dump_merge_alike(data: bytes, high: dict[str, Any], low: dict[str, Any]) -> None:
    chips = {
        "dump": data,
        "ones": bytes(nibble | 0xF0 for nibble in data),
        "upper": bytes(nibble << 4 for nibble in data),
        "packed": bytes(a << 4 | b for a, b in zip(data[::2], data[1::2], strict=True)),
    }
    assert made({"nibbles": [high, low]}, chips, len(data)) == bytes(nibble * 17 for nibble in data)


OWN_INVERSES: list[dict[str, Any]] = [
    *({"swap-bytes": bits} for bits in (16, 32, 64)),
    {"swap-words": True},
    {"reverse-bytes": True},
    *({"reverse-bits": bits} for bits in (8, 16, 32)),
    {"invert": True},
    {"xor": 0x5A},
    {"xor": {"pattern": "01 02 03"}},
    {"blocks": {"size": 8, "order": [1, 0]}},
    {"data-lines": [1, 0, 3, 2, 7, 6, 5, 4]},
    {"address-lines": [3, 1, 2, 0]},
]


@given(st.binary(min_size=16, max_size=16), st.sampled_from(OWN_INVERSES))
def test_done_twice_it_is_undone(data: bytes, change: dict[str, Any]) -> None:
    assert changed(data, change, change) == data


def inverse(order: list[int]) -> list[int]:
    return [order.index(number) for number in range(len(order))]


@given(UNITS, st.permutations(range(16)), st.sampled_from(["little-endian", "big-endian"]))
def test_data_lines_are_undone_by_the_inverse_permutation(data: bytes, lines: list[int], order: str) -> None:
    there, back = ({"data-lines": {"lines": p, "byte-order": order}} for p in (list(lines), inverse(lines)))
    assert changed(data, there, back) == data


@given(st.integers(1, 12).flatmap(lambda count: st.permutations(range(count))))
def test_address_lines_are_undone_by_the_inverse_permutation(lines: list[int]) -> None:
    data = noise(1 << len(lines))
    assert changed(data, {"address-lines": list(lines)}, {"address-lines": inverse(lines)}) == data


@given(st.integers(1, 16).flatmap(lambda count: st.permutations(range(count))))
def test_blocks_are_undone_by_the_inverse_order(order: list[int]) -> None:
    data = noise(16 * len(order))
    there, back = ({"blocks": {"size": 16, "order": numbers}} for numbers in (list(order), inverse(order)))
    assert changed(data, there, back) == data


@given(UNITS, st.binary(min_size=1, max_size=20))
def test_a_header_put_before_is_stripped(data: bytes, header: bytes) -> None:
    table = {"join": [{"bytes": header.hex()}, "a"], "then": [{"strip": {"header": header.hex(), "leaves": len(data)}}]}
    assert made(table, {"a": data}, len(data)) == data


@given(UNITS, st.sampled_from([8, 16, 32]), st.sampled_from(["little-endian", "big-endian"]), st.data())
def test_a_negated_sum_brings_the_total_to_zero(data: bytes, bits: int, order: str, draw: st.DataObject) -> None:
    width = bits // 8
    field = {
        "at": width * draw.draw(st.integers(0, len(data) // width - 1)),
        "bits": bits,
        "of": bits,
        "form": "negated",
    }
    result = changed(data, {"sum": field | ({"byte-order": order} if bits > 8 else {})})
    assert sum(
        int.from_bytes(result[start : start + width], "big" if order == "big-endian" else "little")
        for start in range(0, len(data), width)
    ) % (1 << bits) == 0  # fmt: skip


@given(UNITS, st.integers(0, 0xFF), st.integers(0, 15))
def test_a_negated_sum_and_an_xor_come_to_the_total_asked_for(data: bytes, total: int, at: int) -> None:
    field = {"at": at, "bits": 8, "form": "negated", "total": total}
    assert sum(changed(data, {"sum": field})) % 256 == total
    result = changed(data, {"xor-check": {"at": at, "total": total}})
    assert reduce(xor, result) == total
    assert result[:at] + result[at + 1 :] == data[:at] + data[at + 1 :]


@given(UNITS, st.sampled_from([8, 16, 32]), st.sampled_from(["little-endian", "big-endian"]), st.data())
def test_an_inverted_sum_with_end_around_carry_makes_all_ones(
    data: bytes, bits: int, order: str, draw: st.DataObject
) -> None:
    """Source: RFC 1071, section 1 (2): over the range with its checksum the sum is all ones, negative zero."""
    width = bits // 8
    at = width * draw.draw(st.integers(0, len(data) // width - 1))
    field = {"at": at, "bits": bits, "of": bits, "form": "inverted", "carry": "end-around"}
    result = changed(data, {"sum": field | ({"byte-order": order} if bits > 8 else {})})
    numbers = [int.from_bytes(result[start : start + width], "big" if order == "big-endian" else "little")
               for start in range(0, len(data), width)]  # fmt: skip
    assert sum(numbers) % ((1 << bits) - 1) == 0
    assert any(numbers)


def test_a_repeated_and_an_omitted_block_are_allowed_where_declared() -> None:
    change = {"blocks": {"size": 1, "order": [2, 2, 0], "may-omit": True, "may-repeat": True}}
    assert changed(b"abc", change) == b"cca"


EVERY = [*PIECES.values(), *CHANGES.values()]


@pytest.mark.parametrize("operation", EVERY, ids=lambda operation: operation.name)
def test_an_operation_takes_the_arguments_its_table_names(operation: Operation) -> None:
    for function in (operation.size, operation.apply):
        known = inspect.signature(function).parameters
        if any(kind.kind is inspect.Parameter.VAR_KEYWORD for kind in known.values()):
            continue
        keywords = {name for name, kind in known.items() if kind.kind is inspect.Parameter.KEYWORD_ONLY}
        assert keywords == {parameter(name) for name in operation.arguments}, operation.name


@pytest.mark.parametrize("operation", EVERY, ids=lambda operation: operation.name)
def test_an_operations_main_argument_is_one_of_its_own(operation: Operation) -> None:
    assert operation.main in {"", *operation.arguments}
    assert all(argument.required for name, argument in operation.arguments.items() if name == operation.main) or (
        operation.name == "xor"
    )


STEPS: list[dict[str, Any]] = [
    {"take": {"from": 1, "size": 3}}, {"strip": {"size": 2, "leaves": 14}}, {"mirror": 32}, {"mirror": 48},
    {"pad": {"to": 40, "fill": 0}}, {"pad": {"to": "power-of-two", "fill": 1}}, {"lane": {"number": 1, "of": 2}},
    {"blocks": {"size": 4, "order": [1, 1, 0], "may-omit": True, "may-repeat": True}}, {"swap-bytes": 32},
    {"swap-words": True}, {"reverse-bytes": True}, {"reverse-bits": 16}, {"data-lines": [7, 6, 5, 4, 3, 2, 1, 0]},
    {"address-lines": [3, 2, 1, 0]}, {"nibble": "high"}, {"unpack": "low-first"}, {"pack": "low-first"}, {"plane": 1},
    {"plane": {"bit": 1, "packed": "lsb-first"}}, {"xor": {"pattern": "01 02 03"}}, {"invert": True}, {"and": 15},
    {"or": 1}, {"xor-check": {"at": 0}}, {"sum": {"at": 0, "bits": 8, "form": "plain"}},
    {"crc-32": {"at": 0, "byte-order": "big-endian"}},
    {"crc-16": {"at": 0, "poly": 1, "init": 0, "reflected": False, "xor-out": 0, "byte-order": "big-endian"}},
    {"overlay": {"at": 0, "old": "00", "new": "01"}}, {"patch": {"delta": "d", "before": "0" * 64, "after": "0" * 64}},
    {"decode": {"text": "intel-hex", "from": 0, "size": 8}},
]  # fmt: skip


@given(st.integers(1, 64), st.lists(st.sampled_from(STEPS), max_size=4), st.integers(1, 256))
def test_what_has_no_problem_gives_the_size_it_said(size: int, changes: list[dict[str, Any]], declared: int) -> None:
    table = {"at": 0, "chip": "a", "then": [change for change in changes if not {"overlay", "decode"} & set(change)]}
    whole = rom(declared, table)
    if not check_title(title(whole, a=size)):
        assert len(made(table, {"a": noise(size)}, declared)) == declared


def test_every_change_is_among_the_steps_of_the_property() -> None:
    assert {name for step in STEPS for name in step} == set(CHANGES)


@given(st.integers(1, 64), st.integers(1, 64))
def test_lanes_of_other_sizes_are_refused_never_padded(one: int, other: int) -> None:
    told = problems(1 << 10, {"at": 0, "interleave": ["a", "b"]}, chips={"a": one, "b": other}, fill=0)
    expected = f"rom.1.steps.1.interleave: parts have {one}, {other} bytes; expected equal sizes"
    assert told == ([] if one == other else [expected])
