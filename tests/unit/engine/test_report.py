"""What a run says at its end, and what it ends with."""

from __future__ import annotations

import io
import re
from typing import Any

import pytest
from doit.exceptions import TaskError, UnmetDependency
from doit.task import Task

from pipeline.engine.job import TaskStoppedError
from pipeline.engine.report import ExitCodes, Reporter


def task(name: str, **values: Any) -> Task:
    made = Task(name, actions=[lambda: None])
    made.values = values
    return made


class Run:
    """A run of some tasks, as doit tells a reporter of it."""

    def __init__(self, *selected: str) -> None:
        self.out = io.StringIO()
        self.codes = ExitCodes(Reporter(self.out, {}))
        self.codes.initialize({}, list(selected))

    def made(self, name: str, **values: Any) -> None:
        self.codes.execute_task(task(name))
        self.codes.add_success(task(name, **values))

    def failed(self, name: str, fail: Any) -> None:
        self.codes.execute_task(task(name))
        self.codes.add_failure(task(name), fail)

    def end(self) -> str:
        self.codes.complete_run()
        return re.sub(r"\d+\.\d s", "N s", self.out.getvalue())


def test_a_run_that_made_something_says_how_long_it_took() -> None:
    run = Run("image:desk")
    run.made("image:desk")
    assert run.end() == "done in N s\n"


def test_a_run_that_made_nothing_is_up_to_date() -> None:
    run = Run("image:desk")
    run.made("check")
    run.codes.skip_uptodate(task("image:desk"))
    assert run.end() == "up to date (N s)\n"


def test_a_run_of_checks_alone_has_no_closing_line() -> None:
    run = Run("check")
    run.made("check")
    assert run.end() == ""


def test_a_failure_takes_the_place_of_the_closing_line(capsys: pytest.CaptureFixture[str]) -> None:
    run = Run("image:desk", "sheet:desk")
    run.failed("image:desk", TaskStoppedError(["the disk is full"], 3))
    run.failed("sheet:desk", UnmetDependency("image:desk"))
    assert (run.end(), run.codes.worst) == ("", 3)
    assert capsys.readouterr().err == "the disk is full\n"


def test_a_problem_of_several_tasks_is_shown_once(capsys: pytest.CaptureFixture[str]) -> None:
    run = Run("rom:a", "rom:b")
    run.failed("rom:a", TaskStoppedError(["no such chip", "no such place"], 1))
    run.failed("rom:b", TaskStoppedError(["no such chip"], 1))
    assert capsys.readouterr().err == "no such chip\nno such place\n"
    assert run.codes.worst == 1


def test_problems_that_do_not_stop_a_task_are_shown_and_decide_the_exit_code(
    capsys: pytest.CaptureFixture[str],
) -> None:
    run = Run("sheet:desk")
    run.made("check", **{"problems": ["title x: is wrong"], "exit-code": 2})
    run.made("sheet:desk")
    assert (run.end(), run.codes.worst) == ("", 2)
    assert capsys.readouterr().err == "title x: is wrong\n"


def test_the_highest_exit_code_counts(capsys: pytest.CaptureFixture[str]) -> None:
    run = Run("rom:a", "rom:b", "rom:c")
    for name, code in (("rom:a", 1), ("rom:b", 3), ("rom:c", 2)):
        run.failed(name, TaskStoppedError([name], code))
    assert run.codes.worst == 3
    assert capsys.readouterr().err == "rom:a\nrom:b\nrom:c\n"


def test_a_fault_of_the_program_is_shown_with_its_traceback(capsys: pytest.CaptureFixture[str]) -> None:
    run = Run("plan:desk")
    try:
        raise ZeroDivisionError("an example")
    except ZeroDivisionError as error:
        run.failed("plan:desk", TaskError("failed", error))
    err = capsys.readouterr().err
    assert err.startswith("plan:desk failed unexpectedly:\nTraceback (most recent call last):\n")
    assert err.endswith("ZeroDivisionError: an example\n")


def test_an_error_of_the_engine_is_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    run = Run("plan:desk")
    run.codes.runtime_error("no such task")
    assert (run.end(), capsys.readouterr().err) == ("", "no such task\n")


def test_an_ignored_task_is_named() -> None:
    run = Run("plan:desk")
    run.codes.skip_ignore(task("plan:desk"))
    assert run.end() == "plan:desk is ignored\nup to date (N s)\n"
