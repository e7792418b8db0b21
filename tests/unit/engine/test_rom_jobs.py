"""The ROM files of a card's titles are built by one task as by one for each title."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.engine import asked
from pipeline.engine.asked import RunOptions
from pipeline.engine.job import Job, TaskStoppedError
from pipeline.engine.rom_jobs import RomJobs
from pipeline.errors import CheckError
from pipeline.workspace.workspace import Workspace
from tests.support.building import workspace_in


@pytest.fixture
def workspace(tmp_path: Path) -> Workspace:
    return workspace_in(tmp_path)


class Titles:
    """Titles of which some are current and some have a problem, and what was done to them."""

    def __init__(self, workspace: Workspace, current: str = "", wrong: str = "") -> None:
        self.built: list[str] = []
        self.shown: list[str] = []
        self._workspace, self._current, self._wrong = workspace, set(current), wrong
        self.jobs = RomJobs(self._job)

    def _job(self, title: str) -> Job:
        def build() -> str:
            self.built.append(title)
            if title in self._wrong:
                raise CheckError.one(f"{title} is wrong")
            return f"{title}: done"

        return Job(self._workspace, "rom", build, reason=lambda: None if title in self._current else "new")

    def execute(self, titles: str, *, always: bool = False, goes_on: bool = True) -> object:
        how = RunOptions(always=always, goes_on=goes_on, show=self.shown.extend)
        result = self.jobs.execute_all(titles, how)
        return (result.problems, result.exit_code) if isinstance(result, TaskStoppedError) else result


def test_each_title_that_is_due_is_built_in_order_and_told(
    workspace: Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    titles = Titles(workspace, current="b")
    assert titles.execute("abc") == {"made": 2}
    assert capsys.readouterr().out == "rom     a: done\nrom     c: done\n"


def test_a_title_of_two_cards_is_built_once(workspace: Workspace) -> None:
    titles = Titles(workspace, wrong="b")
    assert titles.execute("ab") == (("b is wrong",), 1)
    assert titles.execute("bc") == (("b is wrong",), 1)
    assert titles.execute("a") == {"made": 0}
    assert titles.built == ["a", "b", "c"]
    assert titles.jobs.is_current("a")
    assert not titles.jobs.is_current("b")
    assert titles.jobs.execute("b")
    assert titles.built == ["a", "b", "c"]


def test_a_title_that_fails_stops_no_other_and_is_told_at_once(workspace: Workspace) -> None:
    titles = Titles(workspace, wrong="ac")
    assert titles.execute("abc") == (("a is wrong", "c is wrong"), 1)
    assert titles.built == ["a", "b", "c"]
    assert titles.shown == ["a is wrong", "c is wrong"]


def test_where_a_run_does_not_go_on_the_first_failure_ends_it(workspace: Workspace) -> None:
    titles = Titles(workspace, wrong="ac")
    assert titles.execute("abc", goes_on=False) == (("a is wrong",), 1)
    assert titles.built == ["a"]


def test_what_is_current_is_built_once_where_all_is_to_be_made(workspace: Workspace) -> None:
    titles = Titles(workspace, current="ab")
    assert titles.execute("ab") == {"made": 0}
    assert titles.execute("ab", always=True) == {"made": 2}
    assert titles.execute("ab", always=True) == {"made": 0}


@pytest.mark.parametrize(
    ("words", "named"),
    [(None, True), ([], False), (["sheet:desk"], False), (["rom"], True), (["rom:a"], True), (["r*:a"], True),
     (["romulus"], False), (["check", "rom:a"], True)],
)  # fmt: skip
def test_the_tasks_of_titles_are_made_where_they_may_be_named(
    words: list[str] | None, named: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(asked, "_words", words)
    assert asked.may_be_named("rom") is named
