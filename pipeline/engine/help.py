"""The command ``doit help``: all commands with one line each, or all there is to say of one command, task or topic."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from doit import cmd_help
from doit.cmd_base import DoitCmdBase

from pipeline.engine import console, help_text
from pipeline.errors import MachineError, ManifestError

GROUPS: Mapping[str, Sequence[str]] = {
    "Begin": ("start", "new", "keys", "pin", "find", "solve", "translate"),
    "Build": ("run", "check", "rom", "plan", "config", "image", "record", "sheet", "cluster", "list", "clean"),
    "Ask": ("stations", "divide", "map", "why", "diff", "prove", "jobs"),
    "Hand over": ("publish", "versions", "receive"),
    "Real cards": ("cards", "write", "update", "keep", "verify", "look", "adopt"),
    "Also": ("help", "version", "store"),
}
"""Every text of ``doit help``, in the order in which it is listed."""

TASKS = {"rom": "rom:TITLE", **{name: f"{name}:CARD" for name in ("plan", "config", "image", "record", "sheet")}}
"""How the tasks of one title or card are named."""


class Help(cmd_help.Help):  # type: ignore[misc]  # doit has no type information
    """Shows texts without loading any command but the one that is asked for, and no tasks but those of others."""

    name = "help"

    def __init__(self, cmds: Any = None, **settings: Any) -> None:
        DoitCmdBase.__init__(self, cmds=cmds, **settings)  # its own loads every command
        self._cmds, self._settings = cmds, settings

    def execute(self, params: Any, args: Sequence[str]) -> int:
        """Print the text of one thing, or the list of all."""
        if not args:
            console.print_lines(overview())
            return 0
        if len(args) > 1:
            raise ManifestError.one(f"found {len(args)} names, expected one", "doit help lists what there is")
        name, task = args[0], args[0].partition(":")[0]
        if name in self._cmds:
            console.print_lines(self._cmds.get_plugin(name)(cmds=self._cmds, **self._settings).help().splitlines())
        elif task in help_text.names():
            console.print_lines(help_text.help_text(task).splitlines())
        elif not self._is_task(params, args):
            from pipeline.model.text import did_you_mean, quote

            hint = did_you_mean(name, [*help_text.names(), *self._cmds], "doit help lists what there is")
            raise ManifestError.one(f"found {quote(name)}, expected a command, a task or a topic", hint)
        return 0

    def _is_task(self, params: Any, args: Sequence[str]) -> bool:
        """Whether there is such a task in dodo.py, of which all that is known is told then."""
        try:
            return bool(DoitCmdBase.execute(self, params, args))
        except MachineError:
            return False


def overview() -> list[str]:
    """Return the list of all commands, tasks and topics."""
    lines = ["Cardkiln builds, proves and explains the SD cards of an FPGA home computer.", ""]
    wide = max(len(TASKS.get(name, name)) for names in GROUPS.values() for name in names) + 2
    for group, names in GROUPS.items():
        lines.append(group)
        lines += (f"  {TASKS.get(name, name):<{wide}}{help_text.purpose(name)}" for name in names)
    return [
        *lines,
        "",
        "doit help NAME tells all of one, with examples; doit list shows the tasks of this folder.",
    ]
