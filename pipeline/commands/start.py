"""The command ``doit start``: a folder of one's own that builds at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pipeline.commands.base import JSON, OwnCommand
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import ManifestError
from pipeline.model.text import counted, shown
from pipeline.resources import VERSION


class Start(OwnCommand):
    """Makes the folder as a whole or not at all; nothing that is there is written over."""

    name = "start"
    cmd_options = (
        {"name": "schemas", "long": "schemas", "type": bool, "default": False,
         "help": "only renew the schemas for editors in a folder that was started earlier"},
        JSON,
    )  # fmt: skip

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Make the folder or renew its schemas, and say what was written."""
        from pipeline.drafts.start import renew_schemas, start

        if len(words) != 1:
            raise ManifestError.one(f"expected {self.doc_usage}", "see doit help start")
        name, folder = shown(words[0]), Path(words[0]).expanduser().absolute()
        if options["schemas"]:
            written = [f"schemas/{schema}" for schema in renew_schemas(folder, name)]
            lines = [f"renewed {counted(len(written), 'schema')} of {VERSION} in {name}"]
        else:
            written = list(start(folder, name))
            lines = [f"made    {name}: {counted(len(written), 'file')}"]
            lines.append(f"next    read {Path(name, 'README.md')}, run doit there")
        if options["json"]:
            print_json({"cardkiln-start": 1, "folder": words[0], "written": written})
        else:
            print_lines(lines)
        return 0
