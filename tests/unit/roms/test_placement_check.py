"""Pieces put together and held against each other, with numpy, which lays each over what is there."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from pipeline.roms.placement_check import Placed, check_places, put_together
from pipeline.roms.report import ProblemReport
from tests.support.work import calls_of
from tests.unit.roms.workshop import rom

PIECES = st.lists(st.tuples(st.integers(0, 40), st.binary(min_size=1, max_size=12)), max_size=6)


@given(PIECES, st.integers(52, 64), st.integers(0, 255))
def test_a_later_piece_wins_and_fill_is_what_no_piece_reaches(
    pieces: list[tuple[int, bytes]], size: int, fill: int
) -> None:
    expected = np.full(size, fill, np.uint8)
    for start, piece in pieces:
        expected[start : start + len(piece)] = np.frombuffer(piece, np.uint8)
    assert put_together(pieces, size, fill) == expected.tobytes()


PLACES = st.lists(st.tuples(st.integers(0, 40), st.integers(1, 12), st.booleans()), max_size=8)


@given(PLACES)
def test_a_step_is_told_of_each_step_on_top_that_it_covers(places: list[tuple[int, int, bool]]) -> None:
    top, expected = np.zeros(52, np.int64), set()
    pieces = []
    for number, (start, size, over) in enumerate(places, 1):
        if not over:
            expected |= {(f"{number}.at", f"{owner}.at") for owner in set(top[start : start + size].tolist()) - {0}}
        top[start : start + size] = number
        pieces.append(Placed(start, start + size, str(number), over))
    report = ProblemReport()
    check_places(rom(52, fill=0), pieces, report)
    assert {(problem.place.key, problem.also[0].key) for problem in report.problems} == expected


def test_steps_that_all_overlap_cost_in_proportion_to_their_number() -> None:
    def work(count: int) -> int:
        pieces = [Placed(n % 7, count + n, str(n), over=False) for n in range(count)]
        return calls_of(lambda: check_places(rom(2 * count, fill=0), pieces, ProblemReport()))

    assert work(1600) < 4.5 * work(400)
