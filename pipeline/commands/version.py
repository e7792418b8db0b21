"""The command ``doit version``: which program this is."""

from __future__ import annotations

import platform
from collections.abc import Mapping, Sequence
from importlib.metadata import version
from typing import Any

from pipeline.commands.base import JSON, OwnCommand
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import ManifestError
from pipeline.resources import PACKAGE, VERSION


class Version(OwnCommand):
    """A command, since ``doit --version`` is doit's own and names doit alone."""

    name = "version"
    cmd_options = (JSON,)

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Print the versions and where the program is installed."""
        if words:
            raise ManifestError.one(f'found "{words[0]}", expected options only', "see doit help version")
        document = {
            "cardkiln": VERSION.partition(" ")[2],
            "doit": version("doit"),
            "python": platform.python_version(),
            "installed": str(PACKAGE),
        }
        if options["json"]:
            print_json({"cardkiln-version": 1, **document})
        else:
            print_lines(f"{name:<10}{value}" for name, value in document.items())
        return 0
