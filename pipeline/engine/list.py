"""The command ``doit list``: doit's own, which says where the rest is told."""

from __future__ import annotations

import functools
from typing import Any

from doit import cmd_list

from pipeline.engine.help_text import help_text
from pipeline.engine.loader import refuse_unknown
from pipeline.errors import ManifestError


class List(cmd_list.List):  # type: ignore[misc]  # doit has no type information
    """Lists the tasks, and for a person what comes next."""

    def help(self) -> str:
        """Return what ``doit help`` prints."""
        return help_text("list")

    @functools.wraps(cmd_list.List._execute)
    def _execute(self, **options: Any) -> int:
        refuse_unknown(self.task_list, options["pos_args"])
        try:
            code = int(super()._execute(**options) or 0)
        except (LookupError, ValueError, AttributeError) as error:
            if not options["template"]:
                raise
            hint = 'expected {name}, {doc} and, with -s, {status}, as in "{name}: {doc}"'
            raise ManifestError.one(f"option template: {error}", hint) from None
        if not options["quiet"] and not options["template"] and not options["subtasks"] and not options["pos_args"]:
            self.outstream.write(
                "\ndoit list --all shows the tasks of each title and card, doit help TASK explains one, "
                "doit help lists all commands\n"
            )
        return code
