"""A stage as doit sees it: when it runs, what it prints, and how it fails."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.engine.job import Job
from pipeline.errors import ChangedError, CheckError, ManifestError, Place, Problem
from pipeline.model.outcome import Outcome
from pipeline.workspace.stamp import NEW
from pipeline.workspace.workspace import Workspace
from tests.support.building import workspace_in


@pytest.fixture
def workspace(tmp_path: Path) -> Workspace:
    return workspace_in(tmp_path)


def failing(error: Exception) -> Callable[[], str]:
    def run() -> str:
        raise error

    return run


@pytest.mark.parametrize(
    ("why", "line"),
    [(NEW, "plan    desk: done\n"), ("the manifest changed", "plan    desk: done (the manifest changed)\n")],
    ids=["new", "changed"],
)
def test_a_stage_that_is_due_runs_and_prints_why_unless_it_is_new(
    workspace: Workspace, capsys: pytest.CaptureFixture[str], why: str, line: str
) -> None:
    job = Job(workspace, "plan", lambda: "desk: done", reason=lambda: why)
    assert not job.is_current()
    assert job.execute() is None
    assert (job.done, *capsys.readouterr()) == (True, line, "")


def test_a_stage_without_a_reason_is_current_and_one_without_a_test_always_runs(workspace: Workspace) -> None:
    assert Job(workspace, "plan", lambda: "", reason=lambda: None).is_current()
    assert not Job(workspace, "check", lambda: "").is_current()


@pytest.mark.parametrize("error", [ManifestError.one("is wrong"), OSError(errno.EIO, os.strerror(errno.EIO))])
def test_a_stage_whose_state_is_unknown_runs(
    workspace: Workspace, capsys: pytest.CaptureFixture[str], error: Exception
) -> None:
    job = Job(workspace, "rom", lambda: "moth: done", reason=failing(error))
    assert not job.is_current()
    job.execute()
    assert capsys.readouterr().out == "rom     moth: done (state unknown)\n"


def test_what_must_be_done_before_fails_the_stage_and_it_does_not_run(workspace: Workspace) -> None:
    before = Outcome(why=NEW, problems=(Problem(Place(), "a chip is missing"),), exit_code=1)
    job = Job(workspace, "rom", failing(AssertionError()), before=lambda: before)
    stopped = job.execute()
    assert stopped is not None
    assert (stopped.problems, stopped.exit_code, job.done) == (("a chip is missing",), 1, False)


def test_a_stage_that_takes_its_output_from_elsewhere_needs_neither_its_run_nor_what_comes_before(
    workspace: Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    before = failing(AssertionError())
    job = Job(workspace, "rom", failing(AssertionError()), before=before, instead=lambda: "moth: from the store")  # type: ignore[arg-type]
    assert job.execute() is None
    assert capsys.readouterr().out == "rom     moth: from the store\n"


def test_the_log_is_given_why_a_stage_began_and_what_it_did(workspace: Workspace) -> None:
    log: list[tuple[str, str]] = []
    job = Job(
        workspace, "plan", lambda: "desk: done", reason=lambda: "the manifest changed",
        notes=lambda why: lambda line: log.append((why, line)),
    )  # fmt: skip
    job.is_current()
    job.execute()
    assert log == [("the manifest changed", "desk: done")]


def test_problems_are_located_and_sorted_and_the_next_stage_is_tried(workspace: Workspace) -> None:
    manifest = workspace.inputs / "cards" / "desk.toml"
    manifest.parent.mkdir(parents=True)
    manifest.write_text('name = "Desk"\nboard = "oak"\n')
    problems = [Problem(Place("inputs/cards/desk.toml", key=key), "is wrong") for key in ("board", "name")]
    stopped = Job(workspace, "plan", failing(CheckError(problems))).execute()
    assert stopped is not None
    assert stopped.problems == (
        "inputs/cards/desk.toml:1:8: name: is wrong",
        "inputs/cards/desk.toml:2:9: board: is wrong",
    )
    assert (stopped.exit_code, workspace.is_failing) == (1, False)


def test_after_a_failure_of_the_machine_nothing_is_tried_or_said_any_more(
    workspace: Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    full = OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(workspace.build / "x"))
    stopped = Job(workspace, "image", failing(full)).execute()
    assert stopped is not None
    assert stopped.exit_code == 3
    after = Job(workspace, "sheet", failing(AssertionError())).execute()
    assert after is not None
    assert (after.problems, after.exit_code) == ((), 3)
    assert capsys.readouterr() == ("", "")


def test_a_source_that_changed_makes_the_index_forget(workspace: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    forgotten: list[bool] = []
    monkeypatch.setattr(type(workspace.index), "forget", lambda _: forgotten.append(True))
    stopped = Job(workspace, "rom", failing(ChangedError.one("changed while it was read"))).execute()
    assert stopped is not None
    assert forgotten == [True]


def test_warnings_come_after_the_line_with_the_name_of_their_rule(
    workspace: Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    def run() -> str:
        workspace.warn([Problem(Place("a"), "is old", rule="facts-are-current"), Problem(Place("b"), "is slow")])
        return "desk: done"

    Job(workspace, "record", run).execute()
    assert capsys.readouterr() == (
        "record  desk: done\n",
        "warning (facts-are-current): a: is old\nwarning: b: is slow\n",
    )


def test_warnings_are_told_with_a_stage_that_fails_too(
    workspace: Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    def run() -> str:
        workspace.warn([Problem(Place("a.zip"), "is damaged")])
        raise CheckError.one("a chip is missing")

    assert Job(workspace, "rom", run).execute() is not None
    assert capsys.readouterr() == ("", "warning: a.zip: is damaged\n")


def test_warnings_of_this_process_come_before_those_of_a_stage_that_another_one_ran(
    workspace: Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    workspace.warn([Problem(Place("a.zip"), "is damaged")])
    outcome = Outcome(why=NEW, line="desk: done", warnings=(Problem(Place("b"), "is old"),))
    assert Job(workspace, "plan", failing(AssertionError())).tell(outcome) is None
    assert capsys.readouterr() == ("plan    desk: done\n", "warning: a.zip: is damaged\nwarning: b: is old\n")


def test_what_a_stage_says_is_kept_for_the_next_run_unless_it_fails(
    workspace: Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    assert Job(workspace, "check", lambda: "no errors").run_captured() == ("check   no errors\n", "")
    assert Job(workspace, "check", failing(ManifestError.one("is wrong"))).run_captured() is None
    assert capsys.readouterr() == ("", "")
