"""A stage as doit sees it: whether it is current, and the action that runs it."""

from __future__ import annotations

import contextlib
import io
import sys
from collections.abc import Callable, Iterable

from doit.exceptions import TaskFailed

from pipeline.engine import console
from pipeline.errors import CardkilnError, ChangedError, MachineError, system_problem
from pipeline.model.outcome import Outcome
from pipeline.workspace.stamp import NEW
from pipeline.workspace.workspace import Workspace

Note = Callable[[str], None]


class TaskStoppedError(TaskFailed):  # type: ignore[misc]  # doit has no type information
    """A task that ended with problems a person can act on, each a text, and what the run is to end with."""

    def __init__(self, problems: Iterable[str], exit_code: int) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(self.problems))
        self.exit_code = exit_code


def print_text(text: Callable[[], str]) -> TaskStoppedError | None:
    """Print a text that was asked for; return the failure when there is no such text."""
    try:
        print(text(), end="")
    except CardkilnError as error:
        return TaskStoppedError([str(error)], error.exit_code)
    return None


def say(stage: str, line: str) -> None:
    """Print the line of what was done."""
    console.print_lines([f"{stage:<8}{line}"])


class Job:
    """One stage for one card or title, bound to a workspace.

    ``stage``: the word its line begins with. ``reason``: why it must run, None when it is current; without one it
    runs each time. ``run``: does it and returns one line that says what was done. ``before``: does what must have been
    done before, and returns what came of it where it failed. ``instead``: tried first of all; where it returns a line,
    the stage is done, and needs neither. ``notes``: told why the stage begins; what it returns is given the line in the
    end. ``ahead``: gives what came of the stage where it was run before its turn, with all that belongs to it.
    """

    def __init__(
        self,
        workspace: Workspace,
        stage: str,
        run: Callable[[], str],
        reason: Callable[[], str | None] | None = None,
        before: Callable[[], Outcome | None] | None = None,
        instead: Callable[[], str | None] = lambda: None,
        notes: Callable[[str], Note] = lambda _: lambda _: None,
        ahead: Callable[[], Outcome | None] = lambda: None,
    ) -> None:
        self._workspace, self._stage, self._run, self._reason, self._before = workspace, stage, run, reason, before
        self._instead, self._notes, self._ahead = instead, notes, ahead
        self._why = NEW
        self._outcome: Outcome | None = None
        self.done = False

    def is_current(self) -> bool:
        """Whether there is nothing to do; a stage whose state cannot be told runs, and says then what is wrong."""
        try:
            self._outcome = self._ahead()
        except (CardkilnError, OSError) as error:
            self._outcome = self._failed(error)
        return self.why() is None if self._outcome is None else self._outcome.why is None

    def why(self) -> str | None:
        """Return why the stage must run, None when it is current."""
        if self._reason is None:
            return self._why
        try:
            why = self._reason()
        except (CardkilnError, OSError):
            why = "state unknown"
        self._why = why or NEW
        return why

    def run_captured(self) -> tuple[str, str] | None:
        """Run the stage once more and return what it prints to standard output and error; None when it fails."""
        out, err = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            failure = self.execute()
        return None if failure else (out.getvalue(), err.getvalue())

    def execute(self) -> TaskStoppedError | None:
        """Run the stage, unless that was done ahead, and print its line; return the failure when there are problems.

        After a failure of the machine, such as a full disk, nothing further is tried, and nothing said of it.
        """
        outcome, self._outcome = self._outcome, None
        if self._workspace.is_failing or outcome is None or outcome.why is None:
            outcome = self.attempt()
        return self.tell(outcome)

    def attempt(self) -> Outcome:
        """Run the stage and return what came of it."""
        if self._workspace.is_failing:
            return Outcome(why=self._why, exit_code=MachineError.exit_code)
        try:
            note = self._notes(self._why)
            line = self._instead()
            if line is None:
                failure = self._before() if self._before else None
                if failure:
                    return failure
                line = self._run()
            note(line)
        except (CardkilnError, OSError) as error:
            return self._failed(error)
        return Outcome(why=self._why, line=line, warnings=self._workspace.take_warnings())

    def tell(self, outcome: Outcome) -> TaskStoppedError | None:
        """Print what came of the stage, with all warnings; return the failure when there are problems."""
        failed = outcome.exit_code != 0
        if not failed:
            self.done = True
            say(self._stage, outcome.line + (f" ({outcome.why})" if outcome.why not in (NEW, None) else ""))
        for warning in (*self._workspace.take_warnings(), *outcome.warnings):
            rule = f" ({warning.rule})" if warning.rule else ""
            print(f"warning{rule}: {warning}", file=sys.stderr)
        self._workspace.is_failing |= outcome.exit_code == MachineError.exit_code
        return TaskStoppedError(map(str, outcome.problems), outcome.exit_code) if failed else None

    def _failed(self, error: CardkilnError | OSError) -> Outcome:
        if isinstance(error, ChangedError):
            self._workspace.index.forget()
        told = Outcome(why=self._why, warnings=self._workspace.take_warnings())
        if isinstance(error, OSError):
            return told._replace(problems=(system_problem(error),), exit_code=MachineError.exit_code)
        return told._replace(problems=self._workspace.located(error.problems), exit_code=error.exit_code)
