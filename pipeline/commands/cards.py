"""The command ``doit cards``: which cards are in the readers, and what is on each."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from pipeline.commands.base import JSON, OwnCommand
from pipeline.engine.console import print_json, print_lines
from pipeline.errors import MachineError

if TYPE_CHECKING:
    from pipeline.media.cards import ListedCard


class Cards(OwnCommand):
    """Reads the first part of each; a whole check is the work of verify."""

    name = "cards"
    cmd_options = (JSON,)

    def run(self, options: Mapping[str, Any], words: Sequence[str]) -> int:
        """Show them."""
        from pipeline.media.cards import card_line, listed_cards

        if not sys.platform.startswith("linux"):
            what = "disks are listed on Linux only"
            raise MachineError.one(what, "your system lists them: diskutil list, or Get-Disk in PowerShell")
        cards = listed_cards(self.inputs, words)
        if options["json"]:
            print_json({"cardkiln-cards": 1, "devices": [_document(card) for card in cards]})
        else:
            print_lines(map(card_line, cards) if cards else ["no removable disk found"])
        return 0


def _document(card: ListedCard) -> dict[str, object]:
    disk, build = card.disk, card.build
    return {
        "device": disk.path,
        "model": disk.model,
        "serial": disk.serial,
        "size": disk.size,
        "label": disk.label,
        "in-use": list(disk.uses),
        "on-it": card.kind or card.why,
        "build": build.origin if build else "",
        "card": build.card if build else "",
        "version": build.version if build else "",
    }
