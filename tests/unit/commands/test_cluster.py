"""What ``doit cluster`` does with what comes of its cards; the one worker of the cluster is this process."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from pipeline.cluster import scheduler
from pipeline.cluster.program import program
from pipeline.cluster.scheduler import CardResult, Job
from pipeline.cluster.worker import Answer, build_parcel
from pipeline.commands.cluster import Cluster
from tests.support import small
from tests.support.building import build_card_in
from tests.support.cli import digests, within

TWO: dict[str, str | bytes] = {"inputs/cards/attic.toml": small.CARD.replace('label = "', 'label = "A')}


class Here:
    """A cluster; ``before`` is called when a worker has its parcel, ``answered`` gives what it answers."""

    address, dashboard, workers = "tcp://here", "", ("tcp://here:1",)

    def __init__(self, before: Callable[[], object], answered: Callable[[Answer], Any]) -> None:
        self._before, self._answered = before, answered
        self.built: list[tuple[str, bool]] = []

    def build(self, jobs: Iterable[Job], *, to_store: bool) -> Iterator[CardResult]:
        for card, pack in jobs:
            parcel = pack()
            self._before()
            self.built.append((card, to_store))
            yield CardResult(
                card, self._answered(build_parcel(program(), parcel, None, to_store=to_store)), self.workers[0]
            )


@pytest.fixture
def here(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Here]:
    def make(
        before: Callable[[], object] = lambda: None, answered: Callable[[Answer], Any] = lambda answer: answer
    ) -> Here:
        machines = Here(before, answered)

        @contextmanager
        def connected(address: str) -> Iterator[Here]:
            yield machines

        monkeypatch.setattr(scheduler, "connected", connected)
        return machines

    return make


def lines(out: str) -> list[str]:
    return [line.partition(" (")[0] for line in out.splitlines()]


@pytest.mark.parametrize("when", ["before it is read", "before the image is read"])
def test_a_store_that_is_lost_costs_time_only(
    when: str, here: Callable[..., Here], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CARDKILN_STORE", str(tmp_path / "store"))
    monkeypatch.setenv("CARDKILN_STORE_CONTENTS", "1")
    alone, folder = small.small_project(tmp_path / "alone", TWO), small.small_project(tmp_path / "project", TWO)
    for card in ("attic", "desk"):
        build_card_in(alone, card)

    def lose() -> None:
        for path in (tmp_path / "store/contents").glob("*/*"):
            path.unlink()

    def lose_after(answer: Answer) -> Answer:
        lose()
        return answer

    machines = here(before=lose) if when == "before it is read" else here(answered=lose_after)
    ran = within(folder, Cluster)
    first = min(map(small.sha, (small.BITSTREAM, small.CHIP_A, small.CHIP_B)))
    assert (ran.code, ran.err) == (
        0,
        {
            "before it is read": f"warning: the store of the worker lacks the content with the SHA-256 {first}\n"
            "  hint: set CARDKILN_STORE to the same place on every machine\n",
            "before the image is read": "warning: the store lacks the image of attic that a worker put there\n",
        }[when],
    )
    assert lines(ran.out)[2:] == [
        "card    attic: built on tcp://here:1, image of 16 MiB, verified with pyfatfs 1.1.0",
        "card    desk: built on tcp://here:1, image of 16 MiB, verified with pyfatfs 1.1.0",
        "2 of 2 cards built",
    ]
    assert machines.built == [("attic", True), ("desk", True), ("attic", False), ("desk", False)]
    assert digests(folder / "build/cards") == digests(alone / "build/cards")


@pytest.mark.parametrize("garbage", [None, "hello", 5, [], {}, {"exit-code": 0}, {"exit-code": 1, "problems": 7}])
def test_an_answer_that_is_none_costs_its_card_only(garbage: object, here: Callable[..., Here], tmp_path: Path) -> None:
    folder = small.small_project(tmp_path, TWO)
    answers: list[object] = [garbage]
    here(answered=lambda answer: answers.pop() if answers else answer)
    ran = within(folder, Cluster, "--json")
    assert (ran.code, ran.err) == (
        1,
        "the worker's answer of attic is not the one this program comes to; nothing of it was used\n"
        "  hint: build the card here, and compare the versions of the program\n",
    )
    assert [(card, came["exit-code"]) for card, came in json.loads(ran.out)["cards"].items()] == [
        ("attic", 1),
        ("desk", 0),
    ]
    assert [path.name for path in (folder / "build/cards").iterdir()] == ["desk"]


def test_a_worker_that_always_says_that_the_store_is_lost_comes_to_an_end(
    here: Callable[..., Here], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CARDKILN_STORE", str(tmp_path / "store"))
    monkeypatch.setenv("CARDKILN_STORE_CONTENTS", "1")
    place = {"file": "", "line": 0, "column": 0, "key": ""}
    problem = {"place": place, "what": "lost", "hint": "", "also": (), "rule": "", "details": ()}
    machines = here(answered=lambda _: {"exit-code": 3, "problems": [problem], "lost": True})
    ran = within(small.small_project(tmp_path / "project"), Cluster)
    assert (ran.code, ran.err) == (3, "warning: lost\nlost\n")
    assert machines.built == [("desk", True), ("desk", False)]
