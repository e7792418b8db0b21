"""The command ``doit adopt``: manifests from a card made by hand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pipeline.commands.base import JSON, OwnCommand
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import ManifestError
from pipeline.manifest.files import ID
from pipeline.model.text import counted


class Adopt(OwnCommand):
    """Writes drafts into the inputs, all of them or none, and never over what is there."""

    name = "adopt"
    cmd_options = (
        {
            "name": "as",
            "long": "as",
            "type": str,
            "metavar": "ID",
            "default": "",
            "help": "the id of the card; else from its label",
        },
        JSON,
    )

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Draft, write, and tell what a build will have otherwise."""
        from pipeline.commands.look import board_named, card_path
        from pipeline.inspect.adopt import adopt, not_buildable, slug
        from pipeline.inspect.adopt_writer import blanks_of, drafted_manifests, take_back_unfinished, write
        from pipeline.inspect.open_target import opened_target

        if len(words) != 2:
            raise ManifestError.one(f"expected {self.doc_usage}", "see doit help adopt")
        if options["as"] and not ID.fullmatch(options["as"]):
            raise ManifestError.one(f'--as: found "{options["as"]}"', "an id is lower-case words with hyphens")
        with opened_target(self.workspace, card_path(words[0])) as card:
            label = card.reading.label if card.reading else ""
            card_id = options["as"] or slug(label or Path(words[0]).stem)
            take_back_unfinished(self.workspace, card_id)
            board = self.inputs.manifest.boards[board_named(self.inputs.manifest, words[1])]
            adoption = adopt(self.build, card, board, card_id)
            manifests = drafted_manifests(self.workspace, adoption)
            written = write(self.workspace, card, adoption, manifests)
        blanks = blanks_of(self.workspace, manifests)
        notes = (*adoption.notes, *not_buildable(self.build, adoption, manifests))
        if options["json"]:
            document = {
                "cardkiln-adopt": 1,
                "card": card_id,
                "written": written,
                "cores": adoption.cores,
                "drafted-cores": [draft.id for draft in adoption.drafts],
                "titles": adoption.titles,
                "settings": dict(adoption.settings),
                "files": [file.path for file in (*adoption.files, *adoption.listed)],
                "blanks": blanks,
                "notes": notes,
            }
            print_json(document)
            return 0
        cores = f"{counted(len(adoption.cores), 'core')} known and {len(adoption.drafts)} drafted"
        copied = len(adoption.files) + len(adoption.listed)
        rest = f"{counted(len(adoption.titles), 'title')}, {counted(copied, 'file')} copied"
        lines = [f"adopted {card_id}: {cores}, {rest}"]
        lines += [f"written {path}" for path in written]
        lines += [f"note    {note}" for note in notes]
        lines += [f"blank   {path}: {', '.join(keys)}" for path, keys in blanks.items()]
        fill_in = "fill in the blanks (doit check lists what is expected), then " if blanks else ""
        print_lines([*lines, f"next    {fill_in}doit record:{card_id}, then doit diff {words[0]} {card_id}"])
        return 0
