"""Stage ``sheet``: the printable page that goes with a finished card, written beside its record."""

from __future__ import annotations

import hashlib
from pathlib import Path

from pipeline.build import image
from pipeline.build.card import CardBuild
from pipeline.file_digest import sha256_of_file
from pipeline.workspace.atomic_write import write_if_changed
from pipeline.workspace.stamp import digest, stale, write_stamp
from pipeline.workspace.workspace import PROGRAM

BESIDE = ("card.img", "plan.json", "record.json")
"""What lies beside the sheet and has its SHA-256 on it."""


def path_of(card: CardBuild) -> Path:
    """Return where a card's sheet is built."""
    return card.folder / "sheet.html"


def reason(card: CardBuild) -> str | None:
    """Return why the sheet must be written again, None when it is up to date."""
    stamp = card.workspace.stamp("sheet", card.id)
    why = stale(stamp, _inputs(card), {"sheet.html": path_of(card)})
    if why is None:
        card.forget_finished()  # the record was held against it, and nothing is left to be written from it
    return why


def run(card: CardBuild) -> str:
    """Write the sheet; return where it is."""
    path, inputs, data = path_of(card), _inputs(card), text(card)
    write_if_changed(path, data)
    made = {path.name: (path, hashlib.sha256(data).hexdigest())}
    write_stamp(card.workspace.stamp("sheet", card.id), inputs, made)
    card.forget_finished()
    return f"{card.id}: {card.workspace.shown(path)}"


def text(card: CardBuild) -> bytes:
    """Return a finished card's sheet; raises FileNotFoundError for a card that is not built."""
    from pipeline.sheet.page import sheet_text  # only now: a run with nothing to do need not read the template

    finished = image.finished(card)
    sums = {
        name: finished.proof.image_sha256 if name == "card.img" else sha256_of_file(card.folder / name)
        for name in BESIDE
    }
    return sheet_text(finished, sums)


def _inputs(card: CardBuild) -> dict[str, str]:
    """Return what the sheet is made from: the record, which names all that is on the card, and each manifest."""
    selection, record = card.selection, card.folder / "record.json"
    return {
        "the record": sha256_of_file(record) if record.is_file() else "",
        **card.manifest_digests,
        f"card {card.id}": digest((selection.card, [*card.manifest_digests], selection.settings)),
        "the program": PROGRAM,
    }
