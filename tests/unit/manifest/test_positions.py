from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import tree_sitter
import tree_sitter_toml
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import Place
from pipeline.manifest.text.positions import Part, Positions, locator, spell
from tests.unit.manifest.toml_texts import documents

ROOT = Path(__file__).parents[3]
MANIFESTS = sorted([*(ROOT / "inputs").glob("**/*.toml"), *(ROOT / "tests" / "cases" / "accept").glob("**/*.toml")])
LANGUAGE = tree_sitter.Language(tree_sitter_toml.language())

KeyPath = tuple[Part, ...]


def values(data: Any, way: KeyPath = ()) -> Iterator[tuple[KeyPath, Any]]:
    """Yield everything tomllib read, with the way to it."""
    pairs = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for part, value in pairs:
        yield (*way, part), value
        yield from values(value, (*way, part))


def strangers_pairs(text: str) -> set[tuple[int, int, int]]:
    """Return (offset of key, offset of value, end of value) of each ``key = value``, as tree-sitter-toml has them."""
    encoded = text.encode()
    tree = tree_sitter.Parser(LANGUAGE).parse(encoded)
    assert not tree.root_node.has_error

    def offset(byte: int) -> int:
        return len(encoded[:byte].decode())

    found = set()
    nodes = [tree.root_node]
    while nodes:
        node = nodes.pop()
        nodes += node.children
        if node.type == "pair":
            key, value = (child for child in node.named_children if child.type != "comment")
            last = key.children[-1] if key.type == "dotted_key" else key
            found.add((offset(last.start_byte), offset(value.start_byte), offset(value.end_byte)))
    return found


def our_pairs(text: str) -> set[tuple[int, int, int]]:
    """Return the same from the positions: everything but tables with a head, implied tables and list items."""
    positions = Positions(text)
    spots = [positions.spot(way) for way, _ in values(tomllib.loads(text))]
    return {(spot.key, spot.value, spot.end) for spot in spots if text[spot.key : spot.value].rstrip().endswith("=")}


@given(documents())
def test_pairs_stand_where_tree_sitter_finds_them(text: str) -> None:
    assert our_pairs(text) == strangers_pairs(text)


@pytest.mark.parametrize("path", MANIFESTS, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_pairs_of_real_manifests_stand_where_tree_sitter_finds_them(path: Path) -> None:
    text = path.read_text("utf-8")
    assert our_pairs(text) == strangers_pairs(text)


@given(documents())
def test_what_is_written_at_a_position_is_the_value(text: str) -> None:
    """TOML 1.0.0, "Key/Value Pair": the text of a value is that value wherever it stands."""
    positions = Positions(text)
    for way, value in values(tomllib.loads(text)):
        if text[positions.spot(way).key : positions.spot(way).value].rstrip().endswith("="):
            assert repr(tomllib.loads(f"value = {positions.raw(way)}")["value"]) == repr(value)


@given(documents())
def test_a_value_ends_by_the_line_from_which_on_the_parser_knows_it(text: str) -> None:
    """A prefix of whole lines that parses holds exactly what stands on its lines: the parser itself as a witness."""
    positions = Positions(text)
    lines = text.split("\n")
    known: set[KeyPath] = set()
    reached = 0
    for number in range(1, len(lines) + 1):
        try:
            data = tomllib.loads("\n".join(lines[:number]).removesuffix("\r"))
        except tomllib.TOMLDecodeError:
            continue
        found = {way for way, value in values(data) if not isinstance(value, dict)}  # a head may follow its tables
        for way in found - known:
            spot = positions.spot(way)
            assert reached < positions.line_and_column(spot.value)[0] <= number
            assert reached < positions.line_and_column(max(spot.end - 1, spot.value))[0] <= number
        known, reached = known | found, number


@given(documents())
def test_a_key_as_problems_spell_it_leads_back_to_its_value(text: str) -> None:
    positions = Positions(text)
    by_key: dict[str, set[int]] = {}
    for way, _ in values(tomllib.loads(text)):
        by_key.setdefault(spell(way), set()).add(positions.spot(way).value)
    for key, offsets in by_key.items():
        assert positions.spot_of_key(key).value in offsets


TEXT = """\
name = "Moth"

[chips.4t]
  size = "4 KiB"
[chips."6.h"]
size = "2 KiB"
[[rom]]
[[rom.steps]]
at = 0
[[rom.steps]]
interleave = ["4t",
  { chip = "6.h" }]
"""


@pytest.mark.parametrize(
    ("key", "line", "column"),
    [
        ("name", 1, 8),  # a value
        ("chips", 3, 2),  # implied by the head of a table below it
        ("chips.4t", 3, 1),  # the head
        ("chips.4t.size", 4, 10),
        ("chips.4t.sha256", 3, 1),  # missing: the head of its table
        ("chips.6.h.size", 6, 8),  # a name with a dot in it
        ("rom.1.steps.2", 10, 1),
        ("rom.1.steps.2.interleave.2.chip", 12, 12),
        ("rom.1.steps.2.interleave.3", 11, 14),  # no such item: the list
        ("nothing.like.it", 1, 1),
    ],
)
def test_keys_are_found(tmp_path: Path, key: str, line: int, column: int) -> None:
    (tmp_path / "moth.toml").write_text(TEXT, "utf-8")
    place = locator(tmp_path)(Place("moth.toml", key=key))
    assert place == Place("moth.toml", line, column, key)


def test_columns_count_characters_and_a_byte_order_mark_is_none(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_bytes('\ufeffa = ["ü€", 5]\r\n'.encode())
    assert locator(tmp_path)(Place("a.toml", key="a.2")) == Place("a.toml", 1, 12, "a.2")


@pytest.mark.parametrize(
    "place",
    [
        Place("moth.toml", key=""),
        Place("moth.toml", 7, 1, "name"),
        Place("missing.toml", key="name"),
        Place("broken.toml", key="name"),
        Place("list.sha256", key="name"),
        Place(),
    ],
)
def test_a_place_that_cannot_be_found_or_need_not_stays_as_it_is(tmp_path: Path, place: Place) -> None:
    (tmp_path / "moth.toml").write_text(TEXT, "utf-8")
    (tmp_path / "broken.toml").write_text("name = ", "utf-8")
    (tmp_path / "list.sha256").write_text("name = 1", "utf-8")
    assert locator(tmp_path)(place) == place


@given(st.lists(st.text(min_size=1) | st.integers(0, 9), max_size=4))
def test_a_spelled_key_is_one_line(way: list[Part]) -> None:
    assert "\n" not in spell(way)
    assert "\x00" not in spell(way)
