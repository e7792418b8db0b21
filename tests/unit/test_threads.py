"""Threads where the machine gives some, and the same results where it gives none."""

from __future__ import annotations

import threading

import pytest

from pipeline.threads import Threads


@pytest.mark.parametrize("given", [0, 1, 2, 9])
def test_all_work_is_done_once_whatever_number_of_threads_there_is(monkeypatch: pytest.MonkeyPatch, given: int) -> None:
    left, start = given, threading.Thread.start

    def limited(thread: threading.Thread) -> None:
        nonlocal left
        if not left:
            raise RuntimeError("can't start new thread")
        left -= 1
        start(thread)

    monkeypatch.setattr(threading.Thread, "start", limited)
    done = list[int]()
    with Threads(4) as threads:
        futures = [threads.submit(done.append, number) for number in range(50)]
        assert [*threads.map(abs, [-1, 2])] == [1, 2]
    assert all(future.done() for future in futures)
    assert sorted(done) == [*range(50)]


def test_what_work_raises_is_raised_where_its_result_is_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    def none(thread: threading.Thread) -> None:
        raise RuntimeError("can't start new thread")

    monkeypatch.setattr(threading.Thread, "start", none)
    with Threads(1) as threads:
        future = threads.submit(int, "x")
        with pytest.raises(ValueError, match="invalid literal"):
            future.result()
