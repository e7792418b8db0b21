"""What all our commands share: options anywhere on the line, problems as text or JSON, exit codes that tell why."""

from __future__ import annotations

import getopt
import re
import sys
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict
from functools import cached_property
from typing import TYPE_CHECKING, Any

from doit import doit_cmd
from doit.cmd_base import Command
from doit.cmdparse import CmdParseError

from pipeline.engine import console
from pipeline.errors import CardkilnError, MachineError, ManifestError, Problem, system_problem
from pipeline.workspace.atomic_write import check_working_folder

if TYPE_CHECKING:  # each command imports what it needs when it runs, so that every one starts at once
    from pipeline.build.build import Build
    from pipeline.build.inputs import Inputs
    from pipeline.workspace.workspace import Workspace

JSON = {"name": "json", "long": "json", "type": bool, "default": False, "help": "print JSON"}
"""The option of every command that reports something."""


def with_equals_signs(line: Sequence[str], name: str, arguments: list[str]) -> list[str]:
    """Return the arguments of a command by its name as they stand on the command line.

    doit takes every argument with "=" that is no option out of the line, as a variable for tasks. Our commands have
    no such variables, and a path may hold the sign.
    """
    for at, word in enumerate(line):
        given = list(line[at + 1 :])
        if (
            word == name
            and [argument for argument in given if argument.startswith("-") or "=" not in argument] == arguments
        ):
            return given
    return arguments


class OwnCommand(Command):  # type: ignore[misc]  # doit has no type information
    """A command that needs no tasks and no dodo.py; its subclass says what to do in ``run``."""

    @cached_property
    def build(self) -> Build:
        """The build of the working folder, or of the inputs that ``CARDKILN_INPUTS`` names."""
        from pipeline.build.build import Build

        return Build(self.inputs)

    @cached_property
    def inputs(self) -> Inputs:
        """What is built from; enough for a command that builds nothing."""
        from pipeline.build.inputs import Inputs

        return Inputs.of(self.workspace)

    @cached_property
    def workspace(self) -> Workspace:
        """Where inputs and builds are."""
        from pipeline.workspace.workspace import Workspace

        return Workspace.here()

    @property
    def doc_usage(self) -> str:
        """The arguments, for messages."""
        from pipeline.engine.help_text import usage

        return usage(self.name)

    def help(self) -> str:
        """Return what ``doit help`` prints."""
        from pipeline.engine.help_text import help_text

        return help_text(self.name, self.get_options())

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Do it and return the exit code; raises CardkilnError and OSError."""
        raise NotImplementedError

    def parse_execute(self, in_args: list[str]) -> int:
        """Return 0 when all went well, or what the exception that ended it says; 130 for Ctrl-C."""
        return console.run(lambda: self._answered(in_args))

    def _answered(self, in_args: list[str]) -> int:
        if "--help" in in_args:
            console.print_lines(self.help().splitlines())
            return 0
        try:
            check_working_folder()
            options, words = self._parsed(in_args)
            return self.run(options, words)
        except CardkilnError as error:
            code, problems = error.exit_code, error.problems
        except OSError as error:
            code = MachineError.exit_code
            problems = (system_problem(error),)
        with suppress(OSError):  # whose working folder is gone has no project
            problems = self.workspace.located(problems)
        self._tell(problems, as_json="--json" in in_args)
        return code

    def _parsed(self, arguments: list[str]) -> tuple[dict[str, Any], list[str]]:
        """Return the options and the other arguments; what follows "--" is no option."""
        if doit_cmd._CMDLINE_VARS:
            arguments = with_equals_signs(sys.argv, self.name, arguments)
        parser = self.cmdparser
        try:
            given, words = getopt.gnu_getopt(arguments, parser.get_short(), parser.get_long())
            valued = {f"--{name[:-1]}" for name in parser.get_long() if name.endswith("=")}
            valued |= {f"-{name}" for name in re.findall("(.):", parser.get_short())}
            parts = [(option, value) if option in valued else (option,) for option, value in given]
            options, _ = parser.parse([part for pair in parts for part in pair])
        except (getopt.GetoptError, CmdParseError) as error:
            raise ManifestError.one(str(error), f"doit help {self.name} shows the options") from None
        return dict(options), words

    @staticmethod
    def _tell(problems: Sequence[Problem], *, as_json: bool) -> None:
        if as_json:
            console.print_json({"problems": [asdict(problem) for problem in problems]})
        else:
            sys.stderr.write("".join(f"{problem}\n" for problem in problems))
