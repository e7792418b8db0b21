"""The map of a ROM file: all of it, and from every chip that a byte depends on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from pipeline.manifest.load import load
from pipeline.model.manifest import RomFile, Title
from pipeline.model.ranges import Range
from pipeline.roms.assemble import assemble, check_title, chips_used, contents
from pipeline.roms.map import rom_map
from tests.unit.roms.test_properties import STEPS as CHANGES_OF_16
from tests.unit.roms.workshop import noise, rom, title

ROOT = Path(__file__).parents[3]
TITLES = load(ROOT / "inputs", ROOT).titles
ROMS = [(asked, whole) for asked in TITLES.values() for whole in asked.roms if "decode" not in repr(whole)]
"""All but those with text dumps: random bytes are no text."""


def partitions(ranges: Sequence[Range], size: int) -> bool:
    """Whether the ranges are all of a file, in order, without gap, overlap or equal neighbours."""
    return (
        [0, *(one.end for one in ranges)] == [*(one.start for one in ranges), size]
        and all(one.start < one.end for one in ranges)
        and all(one.sources != other.sources for one, other in pairwise(ranges))
    )


def naming(ranges: Sequence[Range], name: str) -> set[int]:
    """Return the addresses in ranges that name a chip or patch."""
    return {at for one in ranges for at in range(one.start, one.end) if name in {source.name for source in one.sources}}


def differing(one: bytes, other: bytes) -> set[int]:
    return {at for at, (a, b) in enumerate(zip(one, other, strict=True)) if a != b}


def flipped(data: bytes, at: int, bits: int) -> bytes:
    return data[:at] + bytes([data[at] ^ bits]) + data[at + 1 :]


@pytest.mark.parametrize(("asked", "whole"), ROMS, ids=[f"{asked.id} {whole.path}" for asked, whole in ROMS])
def test_a_byte_of_a_chip_changes_only_bytes_that_name_it(asked: Title, whole: RomFile) -> None:
    """Every ROM file of the demo, with random bytes in its chips."""
    whole = replace(whole, sha256="")
    ranges = rom_map(asked, whole)
    assert partitions(ranges, whole.size)
    chips = {name: noise(contents(asked)[name].size or 0, n) for n, name in enumerate(chips_used(whole))}
    before = assemble(asked, whole, chips)
    random = Random(1)
    for name, chip in chips.items():
        there = naming(ranges, name)
        for at in (0, len(chip) - 1, *random.choices(range(len(chip)), k=6)):
            after = assemble(asked, whole, {**chips, name: flipped(chip, at, 0xFF)})
            assert differing(before, after) <= there
        inverted = differing(before, assemble(asked, whole, {**chips, name: bytes(byte ^ 255 for byte in chip)}))
        for one in ranges:
            lanes = [source.name for source in one.sources]
            if name in lanes:
                share = (one.end - one.start) * lanes.count(name) // len(lanes)
                assert len(inverted & set(range(one.start, one.end))) == share


CHIPS = {"a": noise(16, 1), "b": noise(16, 2), "c": noise(8, 3)}
CHANGING: list[dict[str, Any]] = [
    *(change for change in CHANGES_OF_16 if not change.keys() & {"patch", "overlay", "decode"}),
    {"xor": {"chip": "b"}}, {"xor": {"chip": "c"}}, {"swap-bytes": 16}, {"swap-bytes": 64}, {"reverse-bits": 8},
    {"take": {"from": 2, "size": 6}}, {"take": {"from": 5, "size": 8}}, {"blocks": {"size": 2, "order": [1, 0, 3, 2]}},
    {"sum": {"at": 4, "bits": 16, "of": 16, "form": "negated", "byte-order": "big-endian", "from": 2, "size": 6}},
    {"crc-32": {"at": 4, "byte-order": "big-endian", "field": "zero", "size": 8}}, {"lane": {"number": 0, "of": 4}},
    {"data-lines": {"lines": [*range(15, -1, -1)], "byte-order": "little-endian"}}, {"plane": 7}, {"mirror": 64},
]  # fmt: skip
THEN = st.lists(st.sampled_from(CHANGING), max_size=3)


def combined(inner: st.SearchStrategy[Any]) -> st.SearchStrategy[dict[str, Any]]:
    """Draw a piece of other pieces, which mostly have sizes that go together."""
    same = inner.flatmap(lambda part: st.lists(st.sampled_from([part, "a", "b"]), min_size=8, max_size=8))
    return st.one_of(
        st.lists(inner, min_size=2, max_size=4).map(lambda parts: {"join": parts}),
        same.flatmap(lambda parts: st.sampled_from([2, 4, 8]).map(lambda lanes: {"interleave": parts[:lanes]})),
        same.map(lambda parts: {"interleave": parts[:2], "unit": 2}),
        same.map(lambda parts: {"nibbles": parts[:2]}),
        same.map(lambda parts: {"planes": parts[:5]}),
        same.map(lambda parts: {"planes": parts, "packed": "msb-first"}),
        st.tuples(
            st.lists(inner, min_size=1, max_size=3), st.sampled_from([["size", "sum"], ["crc-32"], ["offset"]])
        ).map(
            lambda drawn: {
                "container": drawn[0], "fields": drawn[1], "byte-order": "big-endian", "slots": 4, "table-size": 40,
                "slot-size": 140, "slot-fill": 255,
            }
        ),
    )  # fmt: skip


def changed(piece: Any, then: list[dict[str, Any]]) -> dict[str, Any]:
    return ({"chip": piece} if isinstance(piece, str) else piece) | {"then": then}


LEAF: st.SearchStrategy[Any] = st.one_of(
    st.sampled_from([*CHIPS, *CHIPS, {"bytes": "01 02 03 04 05 06 07 08"}, {"fill": "AA 55", "size": 16}])
)
PIECE = st.recursive(LEAF, lambda inner: st.builds(changed, combined(inner) | inner, THEN), max_leaves=6)


@settings(max_examples=250)
@given(
    st.lists(st.tuples(st.integers(0, 40), PIECE), min_size=1, max_size=3),
    st.none() | st.sampled_from(CHANGING),
    st.data(),
)
def test_it_is_so_for_any_recipe(
    steps: list[tuple[int, Any]], last: dict[str, Any] | None, draw: st.DataObject
) -> None:
    tables = [
        {"at": at, "over": True} | changed(piece, []) | ({} if isinstance(piece, str) else piece) for at, piece in steps
    ]
    whole = rom(1024, *tables, fill=0, then=[last] if last else [])
    asked = title(whole, **CHIPS)
    assume(not check_title(asked))
    ranges = rom_map(asked, whole)
    assert partitions(ranges, 1024)
    before = assemble(asked, whole, CHIPS)
    for name, chip in CHIPS.items():
        at = draw.draw(st.integers(0, len(chip) - 1))
        bits = draw.draw(st.integers(1, 255))
        assert differing(before, assemble(asked, whole, {**CHIPS, name: flipped(chip, at, bits)})) <= naming(
            ranges, name
        )


def exact(whole: RomFile, chips: dict[str, bytes]) -> bool:
    """Whether a chip's bytes, all inverted, change all bytes that name it and no others."""
    asked = title(whole, **chips)
    assert check_title(asked) == []
    ranges = rom_map(asked, whole)
    assert partitions(ranges, whole.size)
    before = assemble(asked, whole, chips)
    return all(
        differing(before, assemble(asked, whole, {**chips, name: bytes(byte ^ 0xFF for byte in chip)}))
        == naming(ranges, name)
        for name, chip in chips.items()
    )


LANE_CHANGES: list[dict[str, Any]] = [
    {"invert": True}, {"xor": 0x5A}, {"reverse-bits": 8}, {"mirror": 192}, {"take": {"from": 48, "size": 48}},
    {"blocks": {"size": 48, "order": [1, 0]}}, {"blocks": {"size": 24, "order": [0, 1, 2, 3]}}, {"swap-bytes": 16},
    {"pad": {"to": 192, "fill": 0}},
]  # fmt: skip


@given(
    st.sampled_from([(2, 1), (2, 2), (3, 2), (3, 4), (4, 2), (4, 4), (8, 4)]),
    st.lists(st.sampled_from(LANE_CHANGES), max_size=2),
    st.data(),
)
def test_a_lane_of_what_was_interleaved_names_its_own_chip_alone(
    shape: tuple[int, int], changes: list[dict[str, Any]], draw: st.DataObject
) -> None:
    lanes, unit = shape
    assume(unit > 1 or {"swap-bytes": 16} not in changes)
    assume(not ({"mirror": 192} in changes and {"take": {"from": 48, "size": 48}} in changes))  # lanes cut apart
    chips = {f"l{n}": noise(96 // lanes, n) for n in range(lanes)}
    number = draw.draw(st.integers(0, lanes - 1))
    then = [*changes, {"lane": {"number": number, "of": lanes, "unit": unit}}]
    table = {"at": 0, "interleave": list(chips), "unit": unit, "then": then}
    made = rom(256, table, fill=0)
    asked = title(made, **chips)
    assume(not check_title(asked))
    ranges = rom_map(asked, made)
    assert len({source.name for one in ranges for source in one.sources if source.kind == "chip"}) == 1
    for name, chip in chips.items():
        other = {**chips, name: bytes(byte ^ 0xFF for byte in chip)}
        changed_bytes = differing(assemble(asked, made, chips), assemble(asked, made, other))
        assert changed_bytes == naming(ranges, name)


@pytest.mark.parametrize(
    ("then", "names"),
    [
        ([{"lane": {"number": 3, "of": 4}}], {"b"}),
        ([{"lane": {"number": 0, "of": 2}}, {"lane": {"number": 1, "of": 2}}], {"a"}),
        ([{"take": {"from": 1, "size": 30}}, {"lane": {"number": 0, "of": 2}}], {"b"}),
        ([{"swap-bytes": 16}, {"lane": {"number": 0, "of": 2}}], {"a", "b"}),
        ([{"lane": {"number": 0, "of": 2, "unit": 2}}], {"a", "b"}),
        ([{"take": {"from": 0, "size": 18}}, {"lane": {"number": 1, "of": 3}}], {"a", "b"}),
    ],
)
def test_another_lane_than_was_interleaved_names_all_that_it_has(then: list[dict[str, Any]], names: set[str]) -> None:
    """A lane of four is every second byte of a lane of two; of swapped bytes the map names both chips."""
    made = rom(32, {"at": 0, "interleave": ["a", "b"], "then": then}, fill=0)
    chips = {"a": CHIPS["a"], "b": CHIPS["b"]}
    ranges = rom_map(title(made, **chips), made)
    assert {source.name for one in ranges for source in one.sources if source.kind == "chip"} == names


@given(st.permutations(range(6)), st.lists(st.sampled_from([4, 8, 12, 16, 32]), min_size=1, max_size=3))
def test_permuted_address_lines_name_the_chip_of_each_byte(lines: list[int], sizes: list[int]) -> None:
    assume(sum(sizes) <= 64)
    chips = {f"c{n}": noise(size, n) for n, size in enumerate(sizes)}
    rest = [{"fill": 0, "size": 64 - sum(sizes)}] if sum(sizes) < 64 else []
    join = {"join": [*chips, *rest]} if len(chips) + len(rest) > 1 else {"chip": "c0"}
    assert exact(rom(64, {"at": 0, **join, "then": [{"address-lines": list(lines)}]}), chips)


def test_address_lines_that_scatter_two_chips_over_every_byte_name_both() -> None:
    chips = {"a": noise(1024, 1), "b": noise(1024, 2)}
    scattered = {"join": ["a", "b"], "then": [{"address-lines": [*range(1, 11), 0]}]}
    ranges = rom_map(title(rom(2048, {"at": 0} | scattered), **chips), rom(2048, {"at": 0} | scattered))
    assert [[source.name for source in one.sources] for one in ranges] == [["a", "b"]]


@pytest.mark.parametrize("fields", [["sum"], ["offset", "crc-32"], ["crc-32", "size", "sum"]])
def test_only_check_values_in_the_table_of_a_container_name_a_chip(fields: list[str]) -> None:
    chips = {"a": noise(16, 1), "b": noise(16, 2)}
    slots = [{"name": name, "chip": name} for name in chips]
    more = {"name-width": 5, "fields": fields, "byte-order": "big-endian", "slot-size": 16, "slot-fill": 0}
    whole = rom(2 * (5 + 4 * len(fields)) + 32, {"at": 0, "container": slots} | more)
    ranges = rom_map(title(whole, **chips), whole)
    table = 2 * (5 + 4 * len(fields))
    checks = {"sum", "crc-32"} & set(fields)
    for name in chips:
        assert len({at for at in naming(ranges, name) if at < table}) == 4 * len(checks)
        at = 5 + 4 * min(fields.index(check) for check in checks) + (table // 2 if name == "b" else 0)
        assert min(naming(ranges, name)) == at
