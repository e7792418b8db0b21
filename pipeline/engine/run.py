"""The command ``doit run`` (and plain ``doit``): one run at a time in a folder, and exit codes that tell why."""

from __future__ import annotations

import functools
import sys
import time
from pathlib import Path
from typing import Any

from doit import cmd_run
from doit.cmdparse import CmdParseError

from pipeline.errors import MachineError
from pipeline.workspace.crash_recovery import sweeping
from pipeline.workspace.lock import locked
from pipeline.workspace.uptodate import Current, still_current

INTERRUPTED = 130
WHERE = {"dodoFile", "cwdPath"}
"""Options that say where the tasks are, not what is done with them."""
NOTHING = "nothing to do: all is as declared"


class Run(cmd_run.Run):  # type: ignore[misc]  # doit has no type information
    """doit's own run command, with a lock around it, and a short way when nothing has changed."""

    _dodo: Path | None = None

    def parse_execute(self, in_args: list[str]) -> int:
        """Return what ``execute`` does, after loading the tasks only where something may have to be done."""
        start = time.monotonic()
        current = self._still_current(in_args)
        if current is None:
            return int(super().parse_execute(in_args))
        sys.stderr.write(current.warned)
        sys.stdout.write(f"{current.told}{NOTHING} ({time.monotonic() - start:.1f} s)\n")
        return 0

    def _still_current(self, in_args: list[str]) -> Current | None:
        """Return what was seen when all was current, if all tasks are asked for as usual and nothing has changed."""
        try:
            options, words = self.cmdparser.parse(in_args)
        except CmdParseError:
            return None
        asked = {**options, **self.opt_vals}
        usual = {option.name: option.default for option in self.cmdparser.options}
        if words or self.config_vals or any(asked[name] != usual[name] for name in asked if name not in WHERE):
            return None
        self._dodo = Path(asked["dodoFile"]).absolute()
        return still_current(Path(asked["cwdPath"] or self._dodo.parent).absolute(), self._dodo)

    def _tell(self, name: str, what: object) -> None:
        """Tell the tasks something; one of them may bring the function, by this name, that wants to know."""
        for task in self.task_list:
            if task.meta and name in task.meta:
                task.meta[name](what)

    @functools.wraps(cmd_run.Run._execute)
    def _execute(self, *args: Any, **kwargs: Any) -> int:
        """Return 0 when all went well, 1 for a failed check, 2 for the manifests, 3 for the machine, 130 for Ctrl-C."""
        from pipeline.engine.job import StoppedError  # only now, as all that a run with nothing to do does without

        StoppedError.worst = 0
        try:
            with locked(Path("build")), sweeping(Path("build")):
                self._tell("begin", self.sel_tasks)
                result = super()._execute(*args, **kwargs)
                all_well = self.sel_default_tasks and not (result or StoppedError.worst)
                self._tell("end", self._dodo if all_well else None)  # the next run may take the short way
        except MachineError as error:
            sys.stderr.write(f"{error}\n")
            return error.exit_code
        except OSError as error:
            sys.stderr.write(f"{error.filename or 'input or output'}: {error.strerror or error}\n")
            return MachineError.exit_code
        except KeyboardInterrupt:
            sys.stderr.write("interrupted; what was finished is kept, the next run goes on from there\n")
            return INTERRUPTED
        return StoppedError.worst or int(result)
