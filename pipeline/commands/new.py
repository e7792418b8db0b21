"""The command ``doit new``: one manifest, drafted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.commands.base import JSON, OwnCommand
from pipeline.drafts.new import draft, write
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import ManifestError


class New(OwnCommand):
    """Writes one draft, over nothing that is there."""

    name = "new"
    cmd_options = (JSON,)

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Draft, write, and say what is still to be filled in."""
        if len(words) < 2:
            raise ManifestError.one(f"expected {self.doc_usage}", "see doit help new")
        drafted = draft(self.workspace.inputs, self.workspace.base, words[0], words[1], words[2:])
        path = self.workspace.shown(drafted.path)
        write(drafted, path)
        if options["json"]:
            document = {"cardkiln-new": 1, "written": [path], "blanks": drafted.blanks, "notes": drafted.notes}
            print_json(document)
            return 0
        lines = [f"written {path}", *(f"note    {note}" for note in drafted.notes)]
        if drafted.blanks:
            lines.append(f"blank   {', '.join(drafted.blanks)}")
            lines.append("next    fill them in; doit check lists what is expected")
        print_lines(lines)
        return 0
