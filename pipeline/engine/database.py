"""The options of doit's own commands: one line for a wrong one; those that have no effect here are refused."""

from __future__ import annotations

import re
import sys
from typing import Any

from doit.cmd_base import Command
from doit.cmdparse import CmdParseError

from pipeline.engine import console
from pipeline.errors import CardkilnError, MachineError, ManifestError, system_problem
from pipeline.workspace.atomic_write import check_working_folder

NO_EFFECT = {
    **dict.fromkeys(("dep_file", "backend", "codec_cls", "check_file_uptodate"), "there is no database"),
    "par_type": "work is divided between processes",
}
"""Options of doit's own commands that change nothing here, and why."""

SHOWN = {"num_process": "-n"}
"""Options as they are typed, where doit names them otherwise."""


def parsed(command: Any, arguments: list[str]) -> tuple[Any, list[str]]:
    """Return the options and the other arguments of one of doit's commands.

    Raises ManifestError for an option that the command does not have, for one that has no effect here, its default
    value too, and for less than one process.
    """
    try:
        options, words = command.cmdparser.parse(arguments)
    except CmdParseError as error:
        raise wrong_option(error, command.get_name()) from None
    for option in command.cmdparser.options:
        if option.name in NO_EFFECT.keys() & options._non_default_keys:
            raise ManifestError.one(f"--{option.long} has no effect: {NO_EFFECT[option.name]}", "leave it out")
    if options.get("num_process", 0) < ("num_process" in options._non_default_keys):
        what = f'option -n: found "{options["num_process"]}", expected a whole number from 1'
        raise ManifestError.one(what, "without it as many processes work as pay")
    return options, list(words)


def wrong_option(error: CmdParseError, name: str) -> ManifestError:
    """Return what is wrong with an option, in one line; ``name``: the command or task whose help shows its options."""
    what = re.sub(r"^Error parsing \w+: | \(parsing options: .*", "", str(error).strip(), flags=re.DOTALL)
    what = re.sub(r"^Error parsing parameter '(\w+)'[^.]*\.\s*", lambda of: f"option {SHOWN.get(of[1], of[1])}: ", what)
    what = re.sub(r"invalid literal for int\(\) with base 10: '(.*)'$", r'found "\1", expected a whole number', what)
    return ManifestError.one(what, f"doit help {name} shows the options")


def without_database(command: type[Command]) -> type[Command]:
    """Return one of doit's own commands with ``--help``, and without the options of the database.

    It refuses to work in no folder.
    """

    class WithoutDatabase(command):  # type: ignore[misc]  # doit has no type information
        name = command.get_name()

        def parse_execute(self, in_args: list[str]) -> int:
            if "--help" in in_args:
                console.print_lines(self.help().splitlines())
                return 0
            try:
                check_working_folder()
                _, words = parsed(self, in_args)
                usage = f"doit help {self.name} shows the usage"
                if "" in words:  # the loader of tasks would fail at it
                    raise ManifestError.one('found "", expected a name', usage)
                if words and not self.doc_usage:
                    raise ManifestError.one(f'found "{words[0]}", expected no name', usage)
                return int(super().parse_execute(in_args) or 0)
            except CardkilnError as error:
                sys.stderr.write(f"{error}\n")
                return error.exit_code
            except OSError as error:
                sys.stderr.write(f"{system_problem(error)}\n")
                return MachineError.exit_code

    return WithoutDatabase
