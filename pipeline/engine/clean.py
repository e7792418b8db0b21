"""The command ``doit clean``: doit's own, which knows the outputs of our tasks."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

from doit import cmd_clean

from pipeline.engine.help_text import help_text
from pipeline.engine.loader import refuse_unknown
from pipeline.errors import CardkilnError, MachineError
from pipeline.workspace.lock import locked


class Clean(cmd_clean.Clean):  # type: ignore[misc]  # doit has no type information
    """Removes the outputs of the named tasks; of all default tasks, and what no manifest declares, when none is named.

    A task's ``meta`` has them: "outputs" gives those of a task by its name, "forget" is told its name when these are
    removed, "vanished" gives those that no manifest declares
    any more, "before" the names of further tasks that come before one, and "owned" raises when the build folder is of
    other inputs.
    """

    cmd_options = (
        *cmd_clean.Clean.cmd_options,
        {"name": "vanished", "long": "vanished", "type": bool, "default": False,
         "help": "remove only what no manifest declares any more, finished images included"},
    )  # fmt: skip

    def help(self) -> str:
        """Return what ``doit help`` prints."""
        return help_text("clean")

    def _execute(
        self,
        dryrun: bool,
        cleandep: bool,
        cleanall: bool,
        cleanforget: bool,
        vanished: bool,
        pos_args: Sequence[str] | None = None,
    ) -> int:
        refuse_unknown(self.task_list, [word for word in pos_args or () if "*" not in word])
        with locked(Path("build")):
            self._of_meta("owned")
            if not vanished:
                for task in self.task_list:
                    if "before" in (task.meta or {}):
                        task.task_dep += task.meta["before"](task.name)
                super()._execute(dryrun, cleandep, cleanall, cleanforget, pos_args)
            if vanished or cleanall or not pos_args:
                try:
                    self._remove(self._of_meta("vanished"), dryrun=dryrun)
                except CardkilnError as error:  # what the manifests declare is not known
                    if vanished:
                        raise
                    sys.stderr.write(f"{error}\noutputs that are no longer declared are kept until this is fixed\n")
                    return error.exit_code
        return 0

    def clean_tasks(self, tasks: Iterable[Any], dryrun: bool, cleanforget: bool) -> None:
        """Remove the outputs of each task once; a task that is not ours is cleaned as doit does."""
        foreign_tasks = []
        for task in {task.name: task for task in tasks}.values():
            if task.meta and "outputs" in task.meta:
                self._remove(task.meta["outputs"](task.name), dryrun=dryrun)
                if not dryrun:
                    task.meta["forget"](task.name)
            else:
                foreign_tasks.append(task)
        super().clean_tasks(foreign_tasks, dryrun, cleanforget)

    def _of_meta(self, name: str) -> list[Path]:
        """Return what the tasks give of one kind, each path once."""
        given: list[Callable[[], Sequence[Path]]] = [
            task.meta[name] for task in self.task_list if name in (task.meta or {})
        ]
        return [path for give in given for path in give()]

    def _remove(self, paths: Sequence[Path], *, dryrun: bool) -> None:
        from pipeline.build.prune import remove  # only now, so that every other command starts at once

        here = Path.cwd()
        for path in paths:
            shown = path.relative_to(here).as_posix() if path.is_relative_to(here) else str(path)
            self.outstream.write(f"clean   {shown}{' would be removed' if dryrun else ''}\n")
            if dryrun:
                continue
            try:
                remove([path])
                if path.parent.is_dir() and not any(path.parent.iterdir()):
                    path.parent.rmdir()
            except OSError as error:
                raise MachineError.one(f"cannot be removed: {error.strerror}", file=shown) from None
