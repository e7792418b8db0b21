from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from pipeline.model.spans import PART, differing_at, differing_count, joined

SPANS = st.lists(st.tuples(st.integers(0, 60), st.integers(1, 9)).map(lambda span: (span[0], sum(span))))


def test_spans_that_touch_or_overlap_are_one() -> None:
    assert joined([(8, 10), (0, 4), (4, 6), (5, 7), (8, 9)]) == [(0, 7), (8, 10)]


@given(SPANS)
def test_joined_spans_hold_the_same_bytes_and_never_touch(spans: list[tuple[int, int]]) -> None:
    found = joined(spans)

    assert {at for span in found for at in range(*span)} == {at for span in spans for at in range(*span)}
    assert all(one[1] < other[0] for one, other in pairwise(found))


@given(st.integers(0, 40).flatmap(lambda size: st.tuples(*[st.binary(min_size=size, max_size=size)] * 2)))
def test_where_two_byte_strings_differ(pair: tuple[bytes, bytes]) -> None:
    one, other = pair
    differing = [at for at in range(len(one)) if one[at] != other[at]]

    assert list(differing_at(one, other)) == differing
    assert differing_count(one, other) == (len(differing), differing[0] if differing else -1)


@given(st.sets(st.integers(0, 2 * PART + 5), max_size=9), st.integers(1, 255))
def test_where_two_long_byte_strings_differ(places: set[int], bits: int) -> None:
    one = bytes(2 * PART + 6)
    other = bytearray(one)
    for at in places:
        other[at] ^= bits

    assert list(differing_at(one, bytes(other))) == sorted(places)
    assert differing_count(one, bytes(other)) == (len(places), min(places, default=-1))
