"""Random cards of every kind, written, read back, and held to what six strangers say of them."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.fat.geometry import smallest_card
from pipeline.fat.names import fold, name_problem
from pipeline.image.read_back import read_back
from pipeline.model.plan import Volume
from tests.strangers.readers import assert_all_agree
from tests.unit.image.cards import build, plan_of, volume_of

ROOM = {12: 4 << 20, 16: 24 << 20, 32: 8 << 20}
"""Bytes a card may be larger than the smallest of its FAT type."""

SMALLEST = 256 * 512
"""Bytes of a card: FatFs refuses volumes of fewer than 128 sectors (``check_fs`` in its ff.c)."""

LATIN = st.sampled_from("abcXYZ019 ._-~$%!()[]{}+,;='&éßÄñ")
WIDE = st.characters(min_codepoint=0x20, max_codepoint=0x1FFFF, exclude_categories=("Cs", "Cc", "Cn", "Co"))
SHORT = st.from_regex(r"[A-Z0-9_\-~!]{1,8}(\.[A-Z0-9_]{1,3})?", fullmatch=True)


@st.composite
def longest(draw: st.DrawFn) -> str:
    """Return a name of 255 UTF-16 units, or one or two fewer."""
    unit = draw(st.text(WIDE, min_size=1, max_size=3))
    count = (draw(st.integers(253, 255)) - 1) // (len(unit.encode("utf-16-le")) // 2)
    return unit * count + "x"


NAMES = st.one_of(SHORT, st.text(LATIN, max_size=40), st.text(WIDE, max_size=30), longest()).filter(
    lambda name: name_problem(name) is None
)


@dataclass(frozen=True)
class Tree:
    """A card to be: files by path with their bytes, all folders, and the file that is to be first ("" for none)."""

    volume: Volume
    files: Mapping[str, bytes]
    folders: tuple[str, ...]
    first: str
    label: str
    label_entry: str
    moment: datetime


@st.composite
def contents(draw: st.DrawFn, cluster: int) -> bytes:
    """Return bytes of a size at or near a border of clusters, no two clusters of them alike."""
    near = st.builds(lambda clusters, extra: max(0, clusters * cluster + extra), st.integers(0, 5), st.integers(-1, 1))
    size = draw(st.one_of(st.just(0), near, st.integers(0, 3 * cluster)))
    seed = draw(st.integers(0, 255))
    return b"".join((seed + number).to_bytes(4, "big") for number in range(size // 4 + 1))[:size]


@st.composite
def trees(draw: st.DrawFn) -> Tree:
    bits = draw(st.sampled_from((12, 16, 32)))
    partitioned = draw(st.booleans())
    smallest = max(smallest_card(bits, partitioned=partitioned), SMALLEST)
    size = smallest + draw(st.integers(0, ROOM[bits]))
    volume = volume_of(bits, partitioned=partitioned, size=size)
    files: dict[str, bytes] = {}
    depths = {"": 0}
    taken: set[tuple[str, str]] = set()
    for _ in range(draw(st.integers(0, 14))):
        above, name = draw(st.sampled_from(sorted(depths))), draw(NAMES)
        if (above, fold(name)) in taken:
            continue
        taken.add((above, fold(name)))
        path = f"{above}/{name}" if above else name
        if depths[above] < 8 and draw(st.integers(0, 2)) == 0:
            depths[path] = depths[above] + 1
        else:
            files[path] = draw(contents(volume.cluster_bytes))
    first = draw(st.sampled_from(["", *(path for path, data in files.items() if data and is_plain(path))]))
    label = draw(st.sampled_from(("", "DESK", "CLUB NIGHT1")))
    return Tree(
        volume=volume,
        files=files,
        folders=tuple(depths)[1:],
        first=first,
        label=label,
        label_entry=draw(st.sampled_from(("first", "second"))) if label else "none",
        moment=draw(st.datetimes(datetime(1980, 1, 1), datetime(2100, 2, 27))),
    )


def is_plain(path: str) -> bool:
    """Return whether a path is an upper-case 8.3 name in the root, as the first file of a card must be."""
    stem, _, extension = path.partition(".")
    letters = (stem + extension).replace("_", "")
    plain = not letters or (letters.isascii() and letters.isalnum() and letters == letters.upper())
    return plain and 0 < len(stem) <= 8 and len(extension) <= 3 and not path.endswith(".")


def check(tree: Tree) -> None:
    plan = plan_of(
        tree.files, tree.volume,
        first=tree.first, folders=tree.folders, label=tree.label, label_entry=tree.label_entry, moment=tree.moment,
    )  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        image = Path(folder) / "card.img"
        proof = read_back(plan, image, build(plan, tree.files, image))
        assert (proof.files, proof.folders) == (len(tree.files), len(tree.folders))
        assert proof.file_bytes == sum(map(len, tree.files.values()))
        assert_all_agree(image, plan, Path(folder))


@settings(max_examples=300, deadline=None, derandomize=True, database=None)
@given(trees())
def test_every_reader_agrees_on_random_trees(tree: Tree) -> None:
    check(tree)


@pytest.mark.long
@settings(max_examples=10_000, deadline=None)
@given(trees())
def test_every_reader_agrees_on_ten_thousand_random_trees(tree: Tree) -> None:
    check(tree)
