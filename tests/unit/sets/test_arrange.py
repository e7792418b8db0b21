"""Which layout a set fits, and which title it is a variant of: only where exactly one can be, and how that is known."""

from __future__ import annotations

import hashlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.model.manifest import KnownChip, Layout, Socket
from pipeline.sets.arrange import Arranged, DumpSet, arrange
from pipeline.sets.match import Dump


def sha(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def layout(name: str, sizes: dict[str, int], *known: KnownChip) -> Layout:
    return Layout(name=name, sockets={one: Socket(name=one, size=size) for one, size in sizes.items()}, known=known)


def chips(id_: str, *files: str) -> DumpSet:
    """Return a set of chips of 4 bytes, each given by its name, or by that and its content: "u1=same"."""
    dumps = [file.partition("=") for file in files]
    return DumpSet(
        id=id_,
        name=id_,
        dumps=tuple(Dump(path=name, size=4, sha256=sha(content or f"{id_}/{name}")) for name, _, content in dumps),
    )


TWO = {"two": layout("two", {"u1": 4, "u2": 4})}
MOTH, KITE = chips("moth", "u1", "u2"), chips("kite", "u1", "u2")


def likes(*sets: DumpSet, layouts: dict[str, Layout] = TWO, **titles: dict[str, str]) -> dict[str, tuple[str, str]]:
    there = dict.fromkeys(layouts, titles)
    return {
        one.id: (came.like, came.how)
        for one, came in zip(sets, arrange(sets, layouts, there), strict=True)
        if came.like or came.others
    }


def test_a_set_that_lacks_chips_is_a_variant_of_the_only_one_that_has_them() -> None:
    assert likes(MOTH, chips("zebra", "u2")) == {"zebra": ("moth", "the chips it lacks, which no other set has")}
    assert likes(chips("zebra", "u2")) == {}


def test_of_several_the_one_with_a_chip_of_the_same_content_in_the_same_socket_is_taken() -> None:
    three = {"three": layout("three", {"u1": 4, "u2": 4, "u3": 4})}
    moth, kite = chips("moth", "u1", "u2", "u3"), chips("kite", "u1", "u2", "u3")
    part = chips("mothb", "u1=kite/u1", "u2")
    (*_, came) = arrange([moth, kite, part], three, {})
    assert (came.like, came.how, came.same) == ("kite", "1 chip that both have", frozenset({"u1"}))
    moved = chips("mothb", "u2=kite/u1", "u1")  # the same content in another socket says nothing
    assert likes(moth, kite, moved, layouts=three) == {"mothb": ("moth", "its name, which is only a hint")}


@pytest.mark.parametrize("id_", ["mothb", "moth2", "moth-2"])
def test_the_beginning_of_a_name_is_a_hint_where_nothing_else_says_more(id_: str) -> None:
    assert likes(MOTH, KITE, chips(id_, "u1")) == {id_: ("moth", "its name, which is only a hint")}


def test_where_several_can_be_none_is_chosen_and_all_are_named() -> None:
    sets = [MOTH, KITE, chips("mo", "u1", "u2"), chips("zebra", "u1"), chips("mothb", "u1")]
    came = arrange(sets, TWO, {})
    assert [(one.like, one.others) for one in came[3:]] == [("", ("kite", "mo", "moth")), ("", ("kite", "mo", "moth"))]


def test_a_checksum_list_proves_a_variant_whatever_its_name() -> None:
    known = (
        KnownChip(sha256=sha("kite/u2"), title="mothb", socket="u2"),
        KnownChip(sha256=sha("mothb/x"), title="mothb", socket="u1"),
    )
    layouts = {"two": layout("two", {"u1": 4, "u2": 4}, *known)}
    assert likes(MOTH, KITE, chips("mothb", "x"), layouts=layouts) == {"mothb": ("kite", "the checksum list")}


def test_titles_that_are_there_count_and_stand_for_the_set_of_their_id() -> None:
    assert likes(chips("mothb", "u1"), moth={"u1": sha("1"), "u2": sha("2")}) == {
        "mothb": ("moth", "the chips it lacks, which no other set has")
    }
    shared = likes(KITE, MOTH, chips("b", "u1=one", "x=y"), moth={"u1": sha("one")})
    assert shared == {}  # the title moth, which counts in place of the set, has no u2, and the set b has two files left


def test_a_set_with_open_choices_or_files_left_over_is_no_variant() -> None:
    assert likes(MOTH, chips("a", "u1.old", "u1.new")) == {}
    assert likes(MOTH, chips("b", "u1", "u9.txt", "zz")) == {}
    assert likes(MOTH, chips("c")) == {}


def test_two_sets_of_one_id_are_the_parent_of_none() -> None:
    assert likes(MOTH, chips("moth", "u1", "u2"), chips("mothb", "u1")) == {}


def test_of_several_layouts_a_set_takes_the_one_it_fits_as_a_whole() -> None:
    layouts = {"two": TWO["two"], "three": layout("three", {"u1": 4, "u2": 4, "u3": 4})}
    came = arrange([MOTH, chips("kite", "u1", "u2", "u3"), chips("mothb", "u3"), chips("x", "u1")], layouts, {})
    assert [one.layout for one in came] == ["two", "three", "three", ""]
    assert came[2].like == "kite"
    assert came[3].why == "fits 2 layouts, two and three"
    assert arrange([chips("odd", "zz", "yy", "xx", "ww")], layouts, {}) == [Arranged(why="fits none of the layouts")]


def test_without_layouts_nothing_is_arranged() -> None:
    assert arrange([MOTH], {}, {}) == [Arranged(why="fits none of the layouts")]


IDS = st.sampled_from(["moth", "mothb", "moth-2", "kite", "kite2", "zebra"])
SETS = st.lists(st.tuples(IDS, st.sets(st.sampled_from(["u1", "u2", "u3", "zz"]))), max_size=5)


@given(SETS)
def test_no_variant_is_like_a_variant_or_itself_and_the_order_of_sets_says_nothing(
    drawn: list[tuple[str, set[str]]],
) -> None:
    sets = [chips(id_, *sorted(files)) for id_, files in drawn]
    layouts = {"three": layout("three", {"u1": 4, "u2": 4, "u3": 4})}
    came = arrange(sets, layouts, {})
    whole = {one.id for one, result in zip(sets, came, strict=True) if result.matched and result.matched.is_whole}
    for one, result in zip(sets, came, strict=True):
        assert not result.like or (result.like in whole and result.like != one.id)
        assert not (result.like and result.others)
    assert arrange(sets[::-1], layouts, {})[::-1] == came
