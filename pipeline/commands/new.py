"""The command ``doit new``: one manifest, drafted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.commands.base import JSON, OwnCommand
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import ManifestError
from pipeline.manifest.files import FOLDERS

if TYPE_CHECKING:
    from pipeline.drafts.new import DraftedManifest


class New(OwnCommand):
    """Writes one draft, over nothing that is there."""

    name = "new"
    doc_purpose = "draft a manifest from a core's release, from dumps or from a card made by hand"
    doc_usage = "KIND ID [FILE ...] | board ID --from CARD"
    doc_description = (
        f"KIND: {', '.join(FOLDERS)}. ID: lower-case words with hyphens.\n"
        "FILE: for a core, its release as a folder or ZIP archive, or a bitstream; for a title, dumps, or a folder or "
        "ZIP archive of them; for a board, a bitstream that is made for it. A member of an archive is named as "
        "box-3.zip/moth/4t.bin.\n"
        "--from CARD: for a board, a card that works in it and was made by hand: an image, a disk or the folder of a "
        "mounted card. The draft has what repeats on it: where cores go, the text that names them in the menu, the "
        "FPGA, the volume, the folder for titles, config files. Above each key is the evidence for it; what the card "
        "shows in two ways or not at all is a blank or a suggestion in a comment. Then doit adopt CARD ID drafts cores "
        "and card.\n"
        'What only a person can know is written as "<blank>"; doit check lists every blank, and nothing is built '
        "over one.\n"
        "Exit codes: 0 written, 1 an archive is not to be trusted or a card is damaged, 2 the arguments, 3 a file "
        "cannot be read or written."
    )
    cmd_options = (
        {
            "name": "from",
            "long": "from",
            "type": str,
            "default": None,
            "help": "the card to draft a board from: an image, a disk or a mounted folder; it is only read",
        },
        JSON,
    )

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Draft, write, and say what is still to be filled in."""
        from pipeline.drafts.new import draft, write

        if len(words) < 2:
            raise ManifestError.one(f"expected {self.doc_usage}", "see doit help new")
        if options["from"] is not None:
            drafted = self._from_card(words, options["from"])
        else:
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

    def _from_card(self, words: Sequence[str], card: str) -> DraftedManifest:
        """Return the draft of a board from a card; nothing is read of the card when there can be none."""
        from pipeline.commands.look import card_path
        from pipeline.drafts.board_from_card import board_from_card
        from pipeline.drafts.new import path_of
        from pipeline.inspect.damage import refuse_damage
        from pipeline.inspect.open_target import named
        from pipeline.inspect.survey_card import surveyed_card

        if words[0] != "board" or len(words) > 2:
            raise ManifestError.one("--from: expected board ID --from CARD", "see doit help new")
        inputs, base = self.workspace.inputs, self.workspace.base
        path_of(inputs, base, "board", words[1])
        with named(self.workspace, card_path(card)) as opened:
            refuse_damage(opened)
            return board_from_card(inputs, base, words[1], surveyed_card(opened), Path(card).name)
