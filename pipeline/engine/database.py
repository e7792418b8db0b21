"""doit's own database: there is none, since outputs carry their own state; so its options are refused."""

from __future__ import annotations

import sys
from contextlib import suppress
from typing import Any

from doit.cmd_base import Command
from doit.cmdparse import CmdParseError

from pipeline.errors import CardkilnError, ManifestError
from pipeline.workspace.atomic_write import check_working_folder

OPTIONS = {"dep_file", "backend", "codec_cls", "check_file_uptodate"}


def refuse_database(parser: Any, options: Any) -> None:
    """Raise ManifestError when an option of the database was given on the command line, its default value too."""
    for option in parser.options:
        if option.name in OPTIONS & options._non_default_keys:
            raise ManifestError.one(f"--{option.long} means nothing here: no database is kept", "leave it out")


def without_database(command: type[Command]) -> type[Command]:
    """Return one of doit's own commands that refuses the options of the database, and to work in no folder."""

    class WithoutDatabase(command):  # type: ignore[misc]  # doit has no type information
        name = command.get_name()

        def parse_execute(self, in_args: list[str]) -> int:
            try:
                check_working_folder()
                with suppress(CmdParseError):  # said by doit itself
                    options, _ = self.cmdparser.parse(in_args)
                    refuse_database(self.cmdparser, options)
                return int(super().parse_execute(in_args) or 0)
            except CardkilnError as error:
                sys.stderr.write(f"{error}\n")
                return error.exit_code

    return WithoutDatabase
