"""Whatever a manifest says: there are problems, or there is a ROM file; never anything else."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import CheckError
from pipeline.roms.assemble import assemble, check_title, chips_used, describe
from pipeline.roms.operations.operation import Operation
from pipeline.roms.operations.table import CHANGES, PIECES
from tests.unit.roms.test_properties import STEPS as GOOD_CHANGES
from tests.unit.roms.workshop import noise, rom, title

CHIPS = {"a": noise(16, 1), "b": noise(16, 2), "c": noise(8, 3)}
WORDS = st.sampled_from(
    ["a", "c", "zz", "", "8", "1 KiB", "DE AD", "low", "high", "low-first", "msb-first", "plain", "negated",
     "big-endian", "little-endian", "power-of-two", "excluded", "zero", "intel-hex", "s-record",
     "drop"]
)  # fmt: skip
NUMBERS = st.one_of(st.integers(-1, 17), st.sampled_from([32, 64, 255, 256, 65535, 1 << 40]))
PLAIN = st.one_of(WORDS, NUMBERS, st.booleans())
LISTS = st.one_of(
    st.lists(PLAIN, max_size=4), st.integers(0, 17).flatmap(lambda n: st.permutations(range(n)).map(list))
)
NAMES = sorted({name for operation in (*PIECES.values(), *CHANGES.values()) for name in operation.arguments})


def arguments(table: Mapping[str, Operation], name: str) -> st.SearchStrategy[dict[str, Any]]:
    """Draw a table that mostly has the arguments an operation knows."""
    known = [key for key in table[name].arguments if key != name] if name in table else []
    fitting: st.SearchStrategy[dict[str, Any]] = st.fixed_dictionaries(
        {}, optional=dict.fromkeys(known, st.one_of(PLAIN, LISTS))
    )
    return st.one_of(fitting, fitting, st.dictionaries(st.sampled_from(NAMES), PLAIN, max_size=3))


def change(name: str) -> st.SearchStrategy[dict[str, Any]]:
    return st.one_of(PLAIN, LISTS, arguments(CHANGES, name)).map(lambda value: {name: value})


ANY_CHANGE = st.sampled_from([*sorted(CHANGES), "unknown"]).flatmap(change)
SOME_CHANGES = st.lists(st.one_of(st.sampled_from(GOOD_CHANGES), ANY_CHANGE), max_size=2)


@st.composite
def piece(draw: st.DrawFn, inner: st.SearchStrategy[Any]) -> dict[str, Any]:
    name = draw(st.sampled_from([*sorted(PIECES), "unknown"]))
    main = draw(WORDS if name == "chip" else st.one_of(PLAIN, st.lists(inner, min_size=1, max_size=4)))
    rest = {key: value for key, value in draw(arguments(PIECES, name)).items() if key not in PIECES}
    return {name: main} | rest | {"then": draw(SOME_CHANGES)}


PIECE = st.recursive(st.sampled_from(sorted(CHIPS)), piece, max_leaves=5)
STEPS = st.lists(st.tuples(st.integers(-1, 70), PIECE, st.booleans()), min_size=1, max_size=2)


@settings(max_examples=150)
@given(STEPS, st.integers(1, 128), st.sampled_from([None, 0, 255]), SOME_CHANGES)
def test_there_are_problems_or_there_is_a_rom_file(
    steps: list[tuple[int, Any, bool]], size: int, fill: int | None, then: list[dict[str, Any]]
) -> None:
    tables = [
        {"at": at, "over": over} | (made if isinstance(made, dict) else {"chip": made}) for at, made, over in steps
    ]
    whole = rom(size, *tables, fill=fill, then=then)
    asked = title(whole, **CHIPS)
    if check_title(asked):
        return
    assert all(describe(whole))
    try:
        result = assemble(asked, whole, {name: CHIPS[name] for name in chips_used(whole)})
    except CheckError:
        return  # a header or an old byte is not there
    assert len(result) == size
