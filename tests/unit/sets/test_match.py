"""Which dump belongs in which socket: only what is certain is matched, and how is told.

Where names of files say something of sockets, that is common practice; the sets are invented.
"""

from __future__ import annotations

import hashlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.model.manifest import Socket
from pipeline.sets.match import BY_LIST, BY_NAME, BY_ORDER, BY_SIZE, WAYS, Dump, MatchedSet, match, words


def sockets(*sizes: tuple[str, int], optional: str = "") -> dict[str, Socket]:
    return {
        name: Socket(name=name, size=size, empty=0xFF if name in optional.split() else None) for name, size in sizes
    }


def dump(path: str, size: int, content: str = "") -> Dump:
    return Dump(path=path, size=size, sha256=hashlib.sha256((content or path).encode()).hexdigest())


def matches(result: MatchedSet) -> dict[str, tuple[str, str]]:
    return {socket: (one.dump.path, one.how) for socket, one in result.matches.items()}


def open_(result: MatchedSet) -> dict[str, list[str]]:
    return {socket: [dump.path for dump in dumps] for socket, dumps in result.unfilled.items()}


def left(result: MatchedSet) -> dict[str, tuple[str, ...]]:
    return {dump.path: names for dump, names in result.left.items()}


ROW = sockets(("u1", 4), ("u2", 4), ("6.h", 2))


@pytest.mark.parametrize(
    ("text", "parts"), [("U6.H", ("u6", "h")), ("moth_4t-1.BIN", ("moth", "4t", "1", "bin")), ("..", ())]
)
def test_words_are_runs_of_letters_and_digits(text: str, parts: tuple[str, ...]) -> None:
    assert words(text) == parts


@pytest.mark.parametrize("name", ["u1", "U1.BIN", "moth.u1", "moth-u1.rom", "rev2/Moth (U1).bin", "moth_u1_v3.dat"])
def test_a_name_counts_as_a_whole_word_in_any_case(name: str) -> None:
    assert matches(match(ROW, [dump(name, 4)])) == {"u1": (name, BY_NAME)}


@pytest.mark.parametrize("name", ["u11.bin", "xu1.bin", "mothu1", "u1/other.bin"])
def test_a_part_of_a_word_or_a_folder_says_nothing(name: str) -> None:
    result = match(ROW, [dump(name, 4)])
    assert matches(result) == {}
    assert left(result) == {name: ("u1", "u2")}
    assert open_(result) == {"u1": [name], "u2": [name], "6.h": []}


@pytest.mark.parametrize("name", ["6.h", "moth 6-h.bin", "MOTH.6H"])
def test_a_name_of_several_words_stands_one_after_the_other_or_as_one(name: str) -> None:
    rows = sockets(("6", 2), ("6.h", 2), ("h", 2))
    assert matches(match(rows, [dump(name, 2)])) == {"6.h": (name, BY_NAME)}


def test_words_that_make_another_sockets_name_only_together_are_no_name() -> None:
    """A second version of u1 is not u12."""
    rows = sockets(("u1", 4), ("u12", 4))
    assert matches(match(rows, [dump("u1-2.bin", 4)])) == {"u1": ("u1-2.bin", BY_NAME)}


def test_what_all_files_of_a_set_begin_with_names_no_socket() -> None:
    rows = sockets(("1", 4), ("2", 4))
    result = match(rows, [dump("quest 2 1.bin", 4), dump("quest 2 2.bin", 4)])
    assert matches(result) == {"1": ("quest 2 1.bin", BY_NAME), "2": ("quest 2 2.bin", BY_NAME)}
    assert matches(match(rows, [dump("quest-2.1.bin", 4)], name="Quest 2")) == {"1": ("quest-2.1.bin", BY_NAME)}
    kept = match(rows, [dump("1", 4), dump("1.new", 4)])
    assert open_(kept) == {"1": ["1", "1.new"], "2": []}


def test_a_name_with_another_size_is_no_match_for_this_socket_or_any_other() -> None:
    result = match(ROW, [dump("u1.bin", 2), dump("u2.bin", 4)])
    assert matches(result) == {"u2": ("u2.bin", BY_NAME)}
    assert left(result) == {"u1.bin": ()}
    assert open_(result) == {"u1": [], "6.h": []}


def test_two_contents_for_one_socket_and_two_sockets_for_one_file_stay_open() -> None:
    result = match(ROW, [dump("u1.old", 4), dump("u1.new", 4), dump("x", 2)])
    assert matches(result) == {"6.h": ("x", BY_SIZE)}
    assert open_(result) == {"u1": ["u1.new", "u1.old"], "u2": []}
    result = match(ROW, [dump("u1-u2.bin", 4), dump("u2.bin", 4)])
    assert matches(result) == {}
    assert left(result) == {"u1-u2.bin": ("u1", "u2"), "u2.bin": ("u2",)}


def test_the_same_content_twice_is_no_conflict_and_may_be_in_two_sockets() -> None:
    result = match(ROW, [dump("a/u1.bin", 4, "same"), dump("b/u1.bin", 4, "same"), dump("u2.bin", 4, "same")])
    assert matches(result) == {"u1": ("a/u1.bin", BY_NAME), "u2": ("u2.bin", BY_NAME)}
    assert left(result) == {}


def test_a_size_decides_only_where_one_socket_and_one_content_of_it_are_left() -> None:
    result = match(ROW, [dump("moth.u1", 4), dump("b", 4), dump("c", 2)])
    assert matches(result) == {"u1": ("moth.u1", BY_NAME), "u2": ("b", BY_SIZE), "6.h": ("c", BY_SIZE)}
    assert result.is_whole
    assert matches(match(ROW, [dump("a", 2), dump("b", 2)])) == {}
    assert matches(match(ROW, [dump("a", 2, "same"), dump("b", 2, "same")])) == {"6.h": ("a", BY_SIZE)}


def test_a_checksum_list_comes_before_names_and_is_never_contradicted() -> None:
    listed = {dump("u1", 4).sha256: frozenset({"u2"}), dump("x", 4).sha256: frozenset({"u1"})}
    result = match(ROW, [dump("u1", 4), dump("x", 4), dump("6h", 2)], listed=listed)
    assert matches(result) == {"u1": ("x", BY_LIST), "u2": ("u1", BY_LIST), "6.h": ("6h", BY_NAME)}
    wrong_size = match(ROW, [dump("x", 2)], listed={dump("x", 2).sha256: frozenset({"u1"})})
    assert (matches(wrong_size), left(wrong_size)) == ({}, {"x": ()})


def test_a_content_that_is_listed_for_two_sockets_goes_where_its_name_says() -> None:
    listed = {dump("", 4, "same").sha256: frozenset({"u1", "u2"})}
    result = match(ROW, [dump("u1", 4, "same"), dump("u2", 4, "same")], listed=listed)
    assert matches(result) == {"u1": ("u1", BY_LIST), "u2": ("u2", BY_LIST)}
    assert matches(match(ROW, [dump("x", 4, "same")], listed=listed)) == {}


def test_order_decides_only_when_told_and_unambiguous() -> None:
    rows = sockets(("a", 4), ("b", 4), ("c", 4))
    dumps = [dump("p10", 4), dump("p9", 4), dump("p1", 4)]
    assert matches(match(rows, dumps)) == {}
    expected = {"a": ("p1", BY_ORDER), "b": ("p9", BY_ORDER), "c": ("p10", BY_ORDER)}
    assert matches(match(rows, dumps, in_order=True)) == expected
    assert matches(match(rows, dumps[:2], in_order=True)) == {}  # fewer files than sockets
    assert matches(match(rows, [*dumps[1:], dump("p01", 4)], in_order=True)) == {}  # p1 and p01
    assert matches(match(rows, [dump("b", 4), *dumps[1:]], in_order=True)) == {
        "b": ("b", BY_NAME),
        "a": ("p1", BY_ORDER),
        "c": ("p9", BY_ORDER),
    }


def test_an_empty_socket_is_open_only_where_it_must_not_be_or_something_may_fit() -> None:
    rows = sockets(("u1", 4), ("u2", 4), ("u3", 2), optional="u2 u3")
    assert open_(match(rows, [dump("u1", 4)])) == {}
    assert open_(match(rows, [dump("x", 4), dump("y", 4)])) == {"u1": ["x", "y"], "u2": ["x", "y"]}
    assert open_(match(rows, [])) == {"u1": []}


NAMES = st.sampled_from(["u1", "u2", "6.h", "6", "h", "u12"])
FILES = st.lists(
    st.tuples(
        st.lists(NAMES | st.sampled_from(["moth", "bin", "2"]), max_size=3).map("-".join), st.sampled_from([2, 4])
    ),
    unique=True,
    max_size=6,
)


@given(FILES, st.dictionaries(NAMES, st.sampled_from([2, 4]), max_size=5), st.booleans())
def test_every_dump_is_in_one_socket_of_its_size_or_left_and_order_of_files_says_nothing(
    files: list[tuple[str, int]], sizes: dict[str, int], in_order: bool
) -> None:
    rows = sockets(*sizes.items())
    dumps = [dump(f"{number}/{path}", size, f"{path}{size}") for number, (path, size) in enumerate(files)]
    result = match(rows, dumps, in_order=in_order)
    used = [one.dump for one in result.matches.values()]
    assert len(set(used)) == len(used)
    assert all(rows[socket].size == one.dump.size and one.how in WAYS for socket, one in result.matches.items())
    contents = {one.sha256 for one in used}
    assert {one for one in dumps if one.sha256 not in contents} == result.left.keys()
    assert result.matches.keys() | result.unfilled.keys() == rows.keys()
    assert match(rows, dumps[::-1], in_order=in_order) == result
