"""Pieces put together, against numpy, which lays each over what is there."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from pipeline.roms.placement_check import put_together

PIECES = st.lists(st.tuples(st.integers(0, 40), st.binary(min_size=1, max_size=12)), max_size=6)


@given(PIECES, st.integers(52, 64), st.integers(0, 255))
def test_a_later_piece_wins_and_fill_is_what_no_piece_reaches(
    pieces: list[tuple[int, bytes]], size: int, fill: int
) -> None:
    expected = np.full(size, fill, np.uint8)
    for start, piece in pieces:
        expected[start : start + len(piece)] = np.frombuffer(piece, np.uint8)
    assert put_together(pieces, size, fill) == expected.tobytes()
