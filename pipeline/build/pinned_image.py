"""A card may say which SHA-256 its finished image must have."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path

from pipeline.build.card import CardBuild
from pipeline.errors import CheckError, Place, Problem
from pipeline.model.finished import Proven
from pipeline.model.rules import IMAGE_IS_THE_ONE_PINNED
from pipeline.record.changes_text import changes_text
from pipeline.record.compare import compare
from pipeline.record.document import record_bytes
from pipeline.record.snapshot import CardSnapshot, side_of_record

SHOWN = 24
"""Lines of what differs; the rest are counted."""


def check_pinned(build: CardBuild, proven: Proven) -> None:
    """Raise CheckError when a new image has not the SHA-256 that the card's manifest says.

    What differs is told against the record that is there, which is that of the last good image.
    """
    card, image_sha256 = build.card, proven.proof.image_sha256
    if card.image_sha256 in ("", image_sha256):
        return
    record = json.loads(record_bytes(build.finished(proven)))
    lines = list(changes_since(last_record(build.folder / "record.json"), record))
    details = (*lines[:SHOWN], *([f"... and {len(lines) - SHOWN:,} lines more"] if len(lines) > SHOWN else []))
    what = f"the build gives {image_sha256}, expected {card.image_sha256}; the last image stays"
    hint = f"undo the change; if it is intended, doit pin card:{card.id} image built --replace"
    place, rule = Place(card.file, key="image-sha256"), IMAGE_IS_THE_ONE_PINNED.name
    raise CheckError([Problem(place, what, hint, rule=rule, details=details)])


def changes_since(last: CardSnapshot | None, record: Mapping[str, object]) -> Iterator[str]:
    """Yield what differs from the last record, the hashes of the whole left out, as lines."""
    if last is None:
        yield "there is no record to compare with"
        return
    changes = tuple(change for change in compare(last, side_of_record(record)) if change.group != "image")
    yield "what changed since the last record:" if changes else "nothing changed since the last record"
    yield from changes_text(changes)


def last_record(path: Path) -> CardSnapshot | None:
    """Return a card's last record; None when there is no whole one."""
    try:
        return side_of_record(json.loads(path.read_bytes()))
    except (FileNotFoundError, ValueError, KeyError, TypeError):
        return None
