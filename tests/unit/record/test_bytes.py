"""Every differing byte is counted once, by its owners on both sides, whatever blocks it comes in."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import pairwise
from random import Random

from hypothesis import given
from hypothesis import strategies as st

from pipeline.record.bytes import Tally
from pipeline.record.regions import Owner, Region

SIZE = 120
CUTS = st.lists(st.integers(1, SIZE - 1), max_size=5, unique=True).map(lambda cuts: [0, *sorted(cuts), SIZE])


def regions(cuts: Sequence[int], side: str) -> list[Region]:
    return [
        Region(start, end, Owner("file", f"{side}{number % 3}")) for number, (start, end) in enumerate(pairwise(cuts))
    ]


def owner(side: Sequence[Region], at: int) -> Owner:
    return next(region.owner for region in side if region.start <= at < region.end)


@given(CUTS, CUTS, CUTS, st.binary(min_size=SIZE, max_size=SIZE), st.binary(min_size=SIZE, max_size=SIZE), st.randoms())
def test_differing_bytes_are_those_that_a_plain_comparison_finds(
    old_cuts: list[int], new_cuts: list[int], blocks: list[int], old: bytes, noise: bytes, order: Random
) -> None:
    new = bytes(mine if other % 3 else other for mine, other in zip(old, noise, strict=True))
    sides = regions(old_cuts, "old"), regions(new_cuts, "new")
    tally = Tally(*sides)
    pieces = list(pairwise(blocks))
    order.shuffle(pieces)
    for start, end in pieces:
        tally.add(start, old[start:end], new[start:end])
    differing = [at for at in range(SIZE) if old[at] != new[at]]
    counts = Counter((owner(sides[0], at), owner(sides[1], at)) for at in differing)
    first = {(owner(sides[0], at), owner(sides[1], at)): at for at in reversed(differing)}
    assert {(one.old, one.new): (one.count, one.first) for one in tally.found} == {
        key: (count, first[key]) for key, count in counts.items()
    }
    assert [one.first for one in tally.found] == sorted(first.values())
    for one in tally.found:
        assert one.before == old[one.first : one.first + len(one.before)]
        assert one.after == new[one.first : one.first + len(one.before)]


def test_sixteen_bytes_are_shown_of_each_from_the_first_that_differs_on() -> None:
    side = [Region(0, 100, Owner("file", "A"))]
    tally = Tally(side, side)
    old, new = bytes(100), bytes(7) + b"\1" + bytes(range(92))
    tally.add(0, old, new)
    (found,) = tally.found
    assert (found.first, found.before, found.after) == (7, bytes(16), new[7:23])
    tally = Tally([Region(0, 10, Owner("file", "A")), Region(10, 100, Owner("file", "B"))], side)
    tally.add(0, old, new)
    assert [(one.first, len(one.after)) for one in tally.found] == [(7, 3), (10, 16)]
