"""Whose each file of a card is: the board's, a core's, a title's, or the card's own."""

from __future__ import annotations

from collections.abc import Collection

from pipeline.model.content import CardFile

KINDS = {
    "board-file": "board",
    "bitstream": "core",
    "core-file": "core",
    "rom-file": "title",
    "title-file": "title",
    "card-file": "card",
}
"""Kind of a file's origin to the kind of its owner; of a config file the core or card, of a menu the core or board."""


def owner_of(file: CardFile, core_ids: Collection[str]) -> tuple[str, str]:
    """Return kind ("board", "core", "title" or "card") and id of a file's owner."""
    neither = "board" if file.origin.kind == "menu" else "card"
    usual = "core" if file.origin.owner in core_ids else neither
    return KINDS.get(file.origin.kind, usual), file.origin.owner
