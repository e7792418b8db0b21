"""Differing bytes of two images: each counted once, for the owner it has on either side."""

from __future__ import annotations

import random
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from pipeline.record.bytes import SAMPLE, Differing, Tally
from pipeline.record.changes_text import Names, bytes_document
from pipeline.record.regions import Owner, Region

SIZE = 64


def regions(*cuts: int) -> tuple[Region, ...]:
    """Return files A, B, ... one after the other, cut at these offsets."""
    edges = sorted({0, *cuts, SIZE})
    return tuple(
        Region(start, end, Owner("file", chr(ord("A") + number))) for number, (start, end) in enumerate(pairwise(edges))
    )


def owner_at(side: tuple[Region, ...], offset: int) -> Owner:
    return next(region.owner for region in side if region.start <= offset < region.end)


CUTS = st.lists(st.integers(0, SIZE), max_size=5)
DATA = st.binary(min_size=SIZE, max_size=SIZE)


@given(
    DATA, st.lists(st.integers(0, SIZE - 1), max_size=20), CUTS, CUTS, st.lists(st.integers(1, SIZE - 1)), st.randoms()
)
def test_every_differing_byte_is_counted_once_for_both_its_owners(
    old: bytes, flips: list[int], old_cuts: list[int], new_cuts: list[int], blocks: list[int], order: random.Random
) -> None:
    """Checked against a count byte by byte; the blocks come in any order."""
    new = bytearray(old)
    for offset in flips:
        new[offset] ^= 0x10
    sides = regions(*old_cuts), regions(*new_cuts)
    tally = Tally(*sides)
    edges = list(pairwise(sorted({0, *blocks, SIZE})))
    order.shuffle(edges)
    for start, end in edges:
        tally.add(start, old[start:end], bytes(new[start:end]))
    expected: dict[tuple[Owner, Owner], list[int]] = {}
    for offset in range(SIZE):
        if old[offset] != new[offset]:
            expected.setdefault((owner_at(sides[0], offset), owner_at(sides[1], offset)), []).append(offset)
    assert {(found.old, found.new): (found.count, found.first) for found in tally.found} == {
        owners: (len(offsets), offsets[0]) for owners, offsets in expected.items()
    }
    assert [found.first for found in tally.found] == sorted(found.first for found in tally.found)
    for found in tally.found:
        assert found.before == old[found.first : found.first + len(found.before)]
        assert found.after == new[found.first : found.first + len(found.after)]
        assert 1 <= len(found.before) == len(found.after) <= SAMPLE


def test_differing_bytes_as_json_name_owners_and_show_both_sides_in_hexadecimal() -> None:
    found = Differing(Owner("file", "A"), Owner("slack", "B"), 3, 0x200, b"\x01\x02", b"\xff\x00")
    assert bytes_document([found]) == [
        {"old": "A", "new": "after the end of B", "count": 3, "first": 512, "before": "0102", "after": "ff00"}
    ]


def test_names_of_bytes_are_those_of_their_region() -> None:
    class Naming:
        def name(self, region: Region, offset: int) -> str:
            return f"byte {offset - region.start} of {region.owner}"

    assert Names(regions(16), Naming()).at(20) == "byte 4 of B"  # type: ignore[arg-type]  # one method is enough
