"""Whatever a manifest says: there are problems, or there is a ROM file; never anything else."""

from __future__ import annotations

from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import CheckError
from pipeline.roms.assemble import assemble, check_title, chips_used, describe
from pipeline.roms.table import CHANGES, PIECES
from tests.roms.workshop import noise, rom, title

CHIPS = {"a": noise(16, 1), "b": noise(16, 2), "c": noise(8, 3)}
WORDS = st.sampled_from(
    ["a", "c", "zz", "", "8", "1 KiB", "DE AD", "low", "high", "low-first", "msb-first", "plain", "negated",
     "big-endian", "little-endian", "power-of-two", "excluded", "zero"]
)  # fmt: skip
NUMBERS = st.one_of(st.integers(-1, 17), st.sampled_from([32, 64, 255, 256, 65535, 1 << 40]))
PLAIN = st.one_of(WORDS, NUMBERS, st.booleans())
LISTS = st.one_of(st.lists(PLAIN, max_size=4), st.integers(0, 17).flatmap(lambda n: st.permutations(range(n))))
NAMES = sorted({name for operation in (*PIECES.values(), *CHANGES.values()) for name in operation.arguments})


def arguments(names: list[str]) -> st.SearchStrategy[dict[str, Any]]:
    """Draw a table that mostly has the arguments an operation knows."""
    known = st.fixed_dictionaries({}, optional=dict.fromkeys(names, st.one_of(PLAIN, LISTS.map(list))))
    return st.one_of(known, known, st.dictionaries(st.sampled_from(NAMES), PLAIN, max_size=3))


def changes() -> st.SearchStrategy[list[dict[str, Any]]]:
    one = st.sampled_from([*sorted(CHANGES), "unknown"]).flatmap(
        lambda name: st.one_of(PLAIN, LISTS.map(list), arguments(list(CHANGES[name].arguments) if name in CHANGES else []))
        .map(lambda value: {name: value})
    )  # fmt: skip
    return st.lists(one, max_size=3)


def pieces() -> st.SearchStrategy[Any]:
    def nested(inner: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
        listed = st.lists(inner, min_size=1, max_size=8)
        return st.sampled_from([*sorted(PIECES), "unknown"]).flatmap(
            lambda name: st.tuples(
                st.one_of(PLAIN, listed) if name != "chip" else WORDS,
                arguments([key for key in PIECES[name].arguments if key != name] if name in PIECES else []),
                changes(),
            ).map(lambda drawn: {name: drawn[0]} | {k: v for k, v in drawn[1].items() if k not in PIECES} | {"then": drawn[2]})
        )  # fmt: skip

    return st.recursive(st.sampled_from(sorted(CHIPS)), nested, max_leaves=6)


STEPS = st.lists(st.tuples(st.integers(-1, 70), pieces(), st.booleans()), min_size=1, max_size=3)


@settings(max_examples=300)
@given(STEPS, st.integers(1, 64), st.sampled_from([None, 0, 255]), changes())
def test_there_are_problems_or_there_is_a_rom_file(
    steps: list[tuple[int, Any, bool]], size: int, fill: int | None, then: list[dict[str, Any]]
) -> None:
    tables = [
        {"at": at, "over": over} | (piece if isinstance(piece, dict) else {"chip": piece}) for at, piece, over in steps
    ]
    whole = rom(size, *tables, fill=fill, then=then)
    asked = title(whole, **CHIPS)
    if check_title(asked):
        return
    assert all(describe(whole))
    try:
        made = assemble(asked, whole, {name: CHIPS[name] for name in chips_used(whole)})
    except CheckError as error:
        assert error.problems  # noqa: PT017  (both outcomes are allowed: a header may not be there)
    else:
        assert len(made) == size
