"""What a run says: the lines of its tasks, its problems, and one closing line."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, TextIO

from doit.exceptions import BaseFail, UnmetDependency


class ExitCodes:
    """Notes the highest exit code of the tasks that failed, and hands everything on to any doit reporter.

    Here it arrives from the processes of ``doit -n`` too. They ask this class for the methods that they call.
    """

    def __init__(self, reporter: Any) -> None:
        self._reporter = reporter
        self.worst = 0

    def add_failure(self, task: Any, fail: BaseFail) -> None:
        """Note what the run is to end with; a failure of another kind is doit's to judge."""
        self.worst = max(self.worst, getattr(fail, "exit_code", 0))
        self._reporter.add_failure(task, fail)

    def add_success(self, task: Any) -> None:
        """Note what the run is to end with when a task found problems of others."""
        self.worst = max(self.worst, task.values.get("exit-code", 0))
        self._reporter.add_success(task)

    def execute_task(self, task: Any) -> None:
        """Hand on that a task begins."""
        self._reporter.execute_task(task)

    def teardown_task(self, task: Any) -> None:
        """Hand on that a task is being torn down."""
        self._reporter.teardown_task(task)

    def cleanup_error(self, exception: BaseFail) -> None:
        """Hand on an error in a task's teardown."""
        self._reporter.cleanup_error(exception)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._reporter, name)


QUIET = {"check", "_roms_of"}
"""Tasks that make nothing, or that say how much: a run of these alone needs no closing line."""


class Reporter:
    """A doit reporter: tasks print their own lines, this prints what went wrong and how it all ended."""

    desc = "calm lines: what was done, what is wrong, how it ended"

    def __init__(self, outstream: TextIO, options: Mapping[str, Any]) -> None:
        self._out = outstream
        self._start = time.monotonic()
        self._selected: Sequence[str] = ()
        self._made = 0
        self._failed = False
        self._shown: set[str] = set()

    def initialize(self, tasks: Mapping[str, Any], selected_tasks: Sequence[str]) -> None:
        """Note what was asked for."""
        self._selected = selected_tasks

    def get_status(self, task: Any) -> None:
        """Say nothing: a task is being looked at."""

    def execute_task(self, task: Any) -> None:
        """Count what is made; the task prints its own line when it is done."""
        self._made += bool(task.actions) and task.name.partition(":")[0] not in QUIET

    def add_success(self, task: Any) -> None:
        """Show problems that the task found and that do not stop it; all else it said itself.

        ``made``: how many outputs a task of several has made.
        """
        self._made += task.values.get("made", 0)
        self.show(task.values.get("problems", ()))

    def skip_uptodate(self, task: Any) -> None:
        """Say nothing: the closing line counts."""

    def skip_ignore(self, task: Any) -> None:
        """Say that a task was left out on purpose."""
        self._out.write(f"{task.name} is ignored\n")

    def add_failure(self, task: Any, fail: BaseFail) -> None:
        """Show what stopped a task: problems as they are, anything else with its traceback, since it is a bug."""
        self._failed = True
        if not fail.report:
            return
        if isinstance(fail, UnmetDependency):
            return  # what failed was shown
        trace = "".join(fail.traceback)
        if trace:
            sys.stderr.write(f"{task.name} failed unexpectedly:\n{trace}")
        else:
            self.show(getattr(fail, "problems", [fail.message]))

    def show(self, problems: Iterable[str]) -> None:
        """Show each problem once in a run: several tasks may fail of the same."""
        for problem in problems:
            self._failed = True
            if problem not in self._shown:
                self._shown.add(problem)
                sys.stderr.write(problem + "\n")

    def cleanup_error(self, exception: BaseFail) -> None:
        """Show an error in a task's teardown."""
        self.runtime_error(exception.get_msg())

    def runtime_error(self, msg: str) -> None:
        """Show an error of the engine itself."""
        self._failed = True
        sys.stderr.write(msg + "\n")

    def teardown_task(self, task: Any) -> None:
        """Say nothing: no task has a teardown."""

    def complete_run(self) -> None:
        """Close with one line, unless only checks ran or something went wrong and was said already."""
        if self._failed or {name.partition(":")[0] for name in self._selected} <= QUIET:
            return
        took = f"{time.monotonic() - self._start:.1f} s"
        self._out.write(f"done in {took}\n" if self._made else f"up to date ({took})\n")
