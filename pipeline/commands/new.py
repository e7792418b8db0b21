"""The command ``doit new``: one manifest, drafted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.commands.base import JSON, OwnCommand
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import ManifestError

if TYPE_CHECKING:
    from pipeline.drafts.new import DraftedManifest


class New(OwnCommand):
    """Writes one draft, over nothing that is there."""

    name = "new"
    cmd_options = (
        {
            "name": "from",
            "long": "from",
            "type": str,
            "metavar": "CARD",
            "default": None,
            "help": "the card to draft a board from: an image, a disk or a mounted folder; it is only read",
        },
        {
            "name": "core",
            "long": "core",
            "type": str,
            "metavar": "ID",
            "default": None,
            "help": "the core of titles; may be left out where there is one",
        },
        {
            "name": "layout",
            "long": "layout",
            "type": str,
            "metavar": "NAME",
            "default": None,
            "help": "the layout of titles; left out: the one that a set fits",
        },
        {
            "name": "tag",
            "long": "tag",
            "type": str,
            "metavar": "WORD",
            "default": None,
            "help": "a tag that each of the titles gets, by which a card can take them all",
        },
        {
            "name": "in-order",
            "long": "in-order",
            "type": bool,
            "default": False,
            "help": "match what is left by the order of files and sockets, where they are equally many",
        },
        JSON,
    )

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Draft, write, and say what is still to be filled in."""
        if len(words) < 2:
            raise ManifestError.one(f"expected {self.doc_usage}", "see doit help new")
        if words[0] == "titles":
            from pipeline.commands.new_titles import run as run_titles

            return run_titles(self.workspace, words[1:], options)
        if any(options[name] not in (None, False) for name in ("core", "layout", "tag", "in-order")):
            raise ManifestError.one("--core, --layout, --tag, --in-order: expected titles FOLDER", "see doit help new")
        from pipeline.drafts.new import draft, write

        further = ""
        if options["from"] is not None:
            drafted = self._from_card(words, options["from"])
            image = "IMAGE" if Path(options["from"]).is_dir() else options["from"]
            further = f"; then doit adopt {image} {words[1]} drafts cores and card"
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
            lines.append(f"next    fill them in; doit check lists what is expected{further}")
        print_lines(lines)
        return 0

    def _from_card(self, words: Sequence[str], card: str) -> DraftedManifest:
        """Return the draft of a board from a card; nothing is read of the card when there can be none."""
        from pipeline.commands.look import card_path
        from pipeline.drafts.board_from_card import board_from_card
        from pipeline.drafts.new import path_of
        from pipeline.inspect.damage import refuse_damage
        from pipeline.inspect.open_target import opened_target
        from pipeline.inspect.survey_card import surveyed_card

        if words[0] != "board" or len(words) > 2:
            raise ManifestError.one("--from: expected board ID --from CARD", "see doit help new")
        inputs, base = self.workspace.inputs, self.workspace.base
        path_of(inputs, base, "board", words[1])
        with opened_target(self.workspace, card_path(card)) as opened:
            refuse_damage(opened)
            return board_from_card(inputs, base, words[1], surveyed_card(opened), Path(card).name or card)
