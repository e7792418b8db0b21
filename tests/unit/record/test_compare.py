"""Two sides held against each other: every difference once, in both directions."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.record.changes_text import brief_text, changes_text
from pipeline.record.compare import compare, to_hash
from pipeline.record.snapshot import CardSnapshot, File

TIMES = (0x5979, 0x9000, 0, 0x5979, 0x5979, 0x9000)
"""2024-11-25 18:00:00, by the formats of the FAT specification: 44 << 9 | 11 << 5 | 25, 18 << 11."""


def file(path: str, content: str = "a", **changes: Any) -> File:
    sample = File(path=path, short=path, size=len(content), sha256=content, extents=((2, 1),), attributes=0x20)
    return replace(sample, **{"times": TIMES, **changes})


def side(*files: File, **facts: Any) -> CardSnapshot:
    return CardSnapshot(files={one.path: one for one in files}, **facts)


def text(old: CardSnapshot, new: CardSnapshot) -> list[str]:
    return list(changes_text(compare(old, new)))


def test_equal_sides_have_no_difference() -> None:
    one = side(file("A"), file("B"), volume={"label": "X"}, cores={"fern": {"release": "1"}})
    assert compare(one, one) == ()


def test_what_only_one_side_can_know_is_not_compared() -> None:
    folder = side(File(path="A", size=1, sha256="a"))
    assert compare(side(file("A"), volume={"label": "X"}, cores={}), folder) == ()


def test_volume_cores_and_titles_come_before_files() -> None:
    old = side(volume={"label": "ONE"}, cores={"fern": {"release": "1.3"}}, titles={"moth": {"name": "Moth"}})
    new = side(
        file("A"), volume={"label": "TWO"}, cores={"fern": {"release": "1.4"}}, titles={"wasp": {"name": "Wasp"}}
    )
    assert text(old, new) == [
        "volume",
        "  changed  label: ONE -> TWO",
        "cores",
        "  changed  fern: release: 1.3 -> 1.4",
        "titles",
        "  removed  moth, Moth",
        "  added    wasp, Wasp",
        "files",
        "  added    A, 1 byte",
        "placement",
        "  changed  first file: none -> A",
    ]


def test_a_file_whose_content_came_up_elsewhere_moved() -> None:
    old, new = side(file("A", "same"), file("B", "gone")), side(file("C", "same"), file("D", "come"))
    assert text(old, new) == [
        "files",
        "  moved    A -> C",
        "  removed  B, 4 bytes",
        "  added    D, 4 bytes",
    ]


def test_empty_files_do_not_move() -> None:
    assert [change.kind for change in compare(side(file("A", "")), side(file("B", "")))][:2] == ["removed", "added"]


def test_a_file_that_became_a_folder_changed() -> None:
    assert text(side(file("A")), side(file("A", "", is_folder=True)))[:2] == ["files", "  changed  A: 1 byte -> folder"]


def test_order_pieces_and_shifts_are_placement() -> None:
    old = side(file("A", "a", extents=((2, 3),)), file("B", "b", extents=((5, 1),)), file("C", extents=((6, 2),)))
    new = side(
        file("B", "b", extents=((7, 1),)), file("A", "a", extents=((4, 3),)), file("C", extents=((6, 1), (9, 1)))
    )
    assert text(old, new) == [
        "placement",
        "  changed  first file: A -> B",
        "  changed  order of files in the root directory, from place 1 on: A -> B",
        "  changed  C: clusters 6 to 7 -> 2 pieces from cluster 6 on",
        "  changed  A and 1 more: clusters 2 to 4 -> clusters 4 to 6",
        "      +2 clusters",
    ]


def test_entries_tell_names_attributes_and_times() -> None:
    later = (*TIMES[:3], TIMES[3] + 1, *TIMES[4:])
    new = side(file("A", short="A~1", attributes=0x23, times=later), file("B", times=later))
    assert text(side(file("A"), file("B")), new) == [
        "entries",
        "  changed  short name of A: A -> A~1",
        "  changed  attributes of A: archive -> read-only, hidden, archive",
        "  changed  times of A and 1 more: accessed 2024-11-25 -> accessed 2024-11-26",
    ]


def origin(**changes: Any) -> dict[str, Any]:
    chip = {"role": "chip 4t", "size": 4, "sha256": "a"}
    ranges = [{"start": 0x1000, "end": 0x2000, "from": ["chip 4t, interleave", "chip 4v, interleave"]}]
    return {
        "kind": "rom-file",
        "owner": "moth",
        "contents": [chip],
        "steps": ["0x0000: 4t"],
        "ranges": ranges,
    } | changes


def test_a_rom_file_changed_by_a_chip_in_a_range_through_a_step() -> None:
    other = origin(contents=[{"role": "chip 4t", "size": 4, "sha256": "b"}], steps=["0x1000: 4t"])
    old, new = file("M.ROM", "one", origin=origin()), file("M.ROM", "two", origin=other)
    assert text(side(old), side(new)) == [
        "files",
        "  changed  M.ROM, 3 bytes",
        "      chip 4t changed: range 0x1000-0x1FFF, through interleave",
        "      step 0x0000: 4t -> 0x1000: 4t",
    ]


def test_a_file_of_the_same_bytes_made_otherwise_is_told() -> None:
    old, new = file("M.ROM", origin=origin()), file("M.ROM", origin=origin(steps=[]))
    assert text(side(old), side(new)) == [
        "files",
        "  changed  M.ROM: made otherwise, same bytes",
        "      step removed: 0x0000: 4t",
    ]


def test_brief_counts_by_group() -> None:
    changes = compare(side(file("A"), file("B", "bb")), side(file("B", "cc"), file("D", "ddd")))
    assert list(brief_text(changes)) == ["files: 1 added, 1 changed, 1 removed", "placement: 1 changed"]


def test_only_what_decides_is_hashed() -> None:
    old = side(file("A", "12"), file("B", "123"), file("C", "1"), file("GONE", "12345"), file("LEFT", "123456"))
    new = side(file("A", "34"), file("B", "1234"), file("C", "1"), file("CAME", "54321"))
    assert to_hash(old, new, same={"C"}) == ({"A", "GONE"}, {"A", "CAME"})


FILES = st.dictionaries(st.sampled_from("ABCDE"), st.sampled_from(["", "x", "y", "zz"]), max_size=5)


@given(FILES, FILES)
def test_both_directions_tell_the_same(one: dict[str, str], other: dict[str, str]) -> None:
    # what is added one way is removed the other way, and applying the changes to one gives the other
    old, new = (side(*(file(path, data) for path, data in files.items())) for files in (one, other))
    there, back = (
        [change for change in compare(*both) if change.group == "files"] for both in ((old, new), (new, old))
    )
    swap = {"added": "removed", "removed": "added", "changed": "changed", "moved": "moved"}
    assert sorted(swap[change.kind] for change in there) == sorted(change.kind for change in back)
    files = dict(one)
    for change in there:
        if change.kind in ("removed", "moved"):
            files.pop(change.name)
    for change in there:
        if change.kind != "removed":
            path = change.new if change.kind == "moved" else change.name
            files[path] = other[path]
    assert files == other


@pytest.mark.parametrize("group", ["volume", "card", "image"])
def test_facts_are_compared_only_where_both_sides_have_some(group: str) -> None:
    assert compare(side(**{group: {"a": "1"}}), side()) == ()
    assert len(compare(side(**{group: {"a": "1"}}), side(**{group: {"a": "2"}}))) == 1
