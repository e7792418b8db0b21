"""A stage as doit sees it: whether it is current, and the action that runs it."""

from __future__ import annotations

import sys
from collections.abc import Callable

from doit.exceptions import TaskFailed

from pipeline.errors import CardkilnError, MachineError
from pipeline.stages.project import Project


class StoppedError(TaskFailed):  # type: ignore[misc]  # doit has no type information
    """A task that ended with problems a person can act on; ``worst`` is the highest exit code so far in this run."""

    worst = 0

    def __init__(self, text: str, exit_code: int) -> None:
        super().__init__(text)
        StoppedError.worst = max(StoppedError.worst, exit_code)


class Job:
    """One stage for one card or title, bound to a project.

    ``stage``: the word its line begins with. ``reason``: why it must run, None when it is current; without one it
    runs each time. ``run``: does it and returns one line that says what was done.
    """

    def __init__(
        self, project: Project, stage: str, run: Callable[[], str], reason: Callable[[], str | None] | None = None
    ) -> None:
        self._project, self._stage, self._run, self._reason = project, stage, run, reason
        self._why = ""

    def is_current(self) -> bool:
        """Whether there is nothing to do; a stage whose state cannot be told runs, and says then what is wrong."""
        if self._reason is None:
            return False
        try:
            self._why = self._reason() or ""
        except (CardkilnError, OSError):
            self._why = "its state cannot be told"
        return not self._why

    def execute(self) -> StoppedError | None:
        """Run the stage and print its line; return the failure when there are problems."""
        try:
            line = self._run()
        except CardkilnError as error:
            problems = self._project.located(error.problems)
            return StoppedError("\n".join(str(problem) for problem in problems), error.exit_code)
        except OSError as error:
            failure = MachineError.one(f"{error.filename or 'input or output'}: {error.strerror or error}")
            return StoppedError(str(failure), failure.exit_code)
        print(f"{self._stage:<8}{line}" + (f" ({self._why})" if self._why else ""))
        for warning in self._project.located(self._project.warnings):
            print(f"warning: {warning}", file=sys.stderr)
        self._project.warnings = ()
        return None
