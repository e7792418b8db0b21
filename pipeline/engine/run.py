"""The command ``doit run`` (and plain ``doit``): one run at a time in a folder, and exit codes that tell why.

All that is used of doit beyond its documented interface is here, in ``main`` and in ``commands.base``: doit 0.37 calls
``_execute`` with the options it names, and builds its reporter there.
"""

from __future__ import annotations

import functools
import gc
import sys
import time
from pathlib import Path
from typing import Any

from doit import cmd_run
from doit.cmdparse import CmdParseError
from doit.exceptions import InvalidCommand

from pipeline.engine import console
from pipeline.engine.asked import RunOptions, ask
from pipeline.engine.database import parsed, wrong_option
from pipeline.errors import CardkilnError, MachineError, ManifestError, system_problem
from pipeline.workspace.atomic_write import check_working_folder
from pipeline.workspace.crash_recovery import sweeping
from pipeline.workspace.lock import locked
from pipeline.workspace.uptodate import Current, still_current

WHERE = {"dodoFile", "cwdPath"}
"""Options that say where the tasks are, not what is done with them."""
NOTHING = "up to date"
NEW_OBJECTS = 50_000
"""After so many Python looks for circles of objects. Ours are frozen trees; to look at 700 takes a tenth of a run."""

INTERRUPTED = "interrupted; finished work is kept, the next run continues from there"


class Run(cmd_run.Run):  # type: ignore[misc]  # doit has no type information
    """doit's own run command, with a lock around it, and a short way when nothing has changed."""

    _dodo: Path | None = None
    _unchanged: Current | None = None
    """What was seen when all was current, where the tasks say that the manifests say the same."""

    def help(self) -> str:
        """Return what ``doit help`` prints."""
        from pipeline.engine.help_text import help_text

        return help_text("run")

    def parse_execute(self, in_args: list[str]) -> int:
        """Return what ``execute`` does, after loading the tasks only where something may have to be done."""
        console.prepare()  # the tasks take longest to load
        return console.run(lambda: self._answered(in_args), INTERRUPTED)

    def _answered(self, in_args: list[str]) -> int:
        """Return 0 when all went well, 1 for a failed check, 2 for the manifests, 3 for the machine."""
        if "--help" in in_args:
            console.print_lines(self.help().splitlines())
            return 0
        start = time.monotonic()
        try:
            check_working_folder()
            current = self._still_current(in_args)
            if current is None:
                code = int(super().parse_execute(in_args))
                if self._unchanged is None:
                    return code
                current = self._unchanged
        except InvalidCommand as error:
            if error.not_found is None:
                raise
            sys.stderr.write(f"{self._unknown(str(error.not_found))}\n")
            return ManifestError.exit_code
        except CmdParseError as error:
            sys.stderr.write(f"{wrong_option(error, 'TASK')}\n")
            return ManifestError.exit_code
        except CardkilnError as error:
            sys.stderr.write(f"{error}\n")
            return error.exit_code
        except OSError as error:
            sys.stderr.write(f"{system_problem(error)}\n")
            return MachineError.exit_code
        sys.stderr.write(current.warned)
        sys.stdout.write(f"{current.told}{NOTHING} ({time.monotonic() - start:.1f} s)\n")
        return 0

    def execute(self, params: Any, args: list[str]) -> int:
        """Make the tasks that may be needed, and run them."""
        ask(args)
        return int(super().execute(params, args) or 0)

    def _still_current(self, in_args: list[str]) -> Current | None:
        """Return what was seen when all was current, if all tasks are asked for as usual and nothing has changed.

        Raises ManifestError for arguments that mean nothing here.
        """
        options, words = parsed(self, in_args)
        if "" in words:
            raise ManifestError.one('found "", expected the name of a task', "doit list --all shows them")
        asked = {**options, **self.opt_vals}
        usual = {option.name: option.default for option in self.cmdparser.options}
        if words or self.config_vals or any(asked[name] != usual[name] for name in asked if name not in WHERE):
            return None
        self._dodo = Path(asked["dodoFile"]).absolute()
        return still_current(Path(asked["cwdPath"] or self._dodo.parent).absolute(), self._dodo)

    def _unknown(self, word: str) -> ManifestError:
        """Return what is said of a word that is no command, task or output."""
        from pipeline.engine import help_text
        from pipeline.engine.loader import unknown

        ask(None)
        known = [*help_text.names(), *(task.name for task in self.loader.load_tasks(cmd=self, pos_args=[]))]
        hint = "doit help lists the commands, doit list --all the tasks"
        return ManifestError([unknown(word, known, "a command or a task", hint)])

    def _tell(self, name: str, what: object) -> Any:
        """Tell the tasks something; one of them may bring the function, by this name, that wants to know.

        Return what that function returns.
        """
        for task in self.task_list:
            if task.meta and name in task.meta:
                return task.meta[name](what)
        return None

    @functools.wraps(cmd_run.Run._execute)
    def _execute(self, **options: Any) -> int:
        from pipeline.engine.report import ExitCodes  # only now, as all that a run with nothing to do does without

        gc.set_threshold(NEW_OBJECTS)
        kind = options["reporter"]
        kind = self.reporters[kind] if isinstance(kind, str) else kind
        file = options["outfile"]
        out = Path(file).open("w", encoding="utf-8") if isinstance(file, str) else sys.stdout  # noqa: SIM115
        codes = ExitCodes(kind(out, {"failure_verbosity": options["failure_verbosity"]}))
        try:
            with locked(Path("build")):
                how = RunOptions(
                    processes=options["num_process"],
                    always=options["always"],
                    goes_on=options["continue_"],
                    show=getattr(codes, "show", lambda _: None),  # another reporter has a way of its own
                )
                self._tell("options", how)
                self._tell("begin", self.sel_tasks)
                self._unchanged = self._tell("unchanged", self._dodo) if self._dodo and self.sel_default_tasks else None
                if self._unchanged is not None:
                    return 0
                with sweeping(Path("build")):
                    result = super()._execute(**{**options, "num_process": 0, "reporter": codes, "outfile": out})
                    all_well = self.sel_default_tasks and not (result or codes.worst)
                    self._tell("end", self._dodo if all_well else None)  # the next run may take the short way
        finally:
            if out is not sys.stdout:
                out.close()
        return codes.worst or int(result)
