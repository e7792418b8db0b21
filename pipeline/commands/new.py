"""The command ``doit new``: one manifest, drafted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.commands.base import JSON, OwnCommand
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import ManifestError
from pipeline.manifest.files import FOLDERS


class New(OwnCommand):
    """Writes one draft, over nothing that is there."""

    name = "new"
    doc_purpose = "draft a manifest from a core's release or from dumps"
    doc_usage = "KIND ID [FILE ...]"
    doc_description = (
        f"KIND: {', '.join(FOLDERS)}. ID: lower-case words with hyphens.\n"
        "FILE: for a core, its release as a folder or ZIP archive, or a bitstream; for a title, dumps, or a folder or "
        "ZIP archive of them; for a board, a bitstream that is made for it. A member of an archive is named as "
        "box-3.zip/moth/4t.bin.\n"
        'What only a person can know is written as "<blank>"; doit check lists every blank, and nothing is built '
        "over one.\n"
        "Exit codes: 0 written, 1 an archive is not to be trusted, 2 the arguments, 3 a file cannot be read or written."
    )
    cmd_options = (JSON,)

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Draft, write, and say what is still to be filled in."""
        from pipeline.drafts.new import draft, write

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
