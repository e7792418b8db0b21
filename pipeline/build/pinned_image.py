"""A card may say which SHA-256 its finished image must have."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from functools import cached_property

from pipeline.build.record_text import recorded
from pipeline.errors import CheckError, Place, Problem
from pipeline.model.manifest import Manifest
from pipeline.model.plan import Proof
from pipeline.record.changes_text import changes_text
from pipeline.record.compare import compare
from pipeline.record.snapshot import Side, side_of_record
from pipeline.workspace.project import Project

SHOWN = 24
"""Lines of what differs; the rest are counted."""


class Unpinned(Project):
    """A project in which no card says which SHA-256 its image must have."""

    @property
    def manifest(self) -> Manifest:
        """Everything else the manifests say."""
        return self._unpinned

    @cached_property
    def _unpinned(self) -> Manifest:
        manifest = super().manifest
        cards = {id_: replace(card, image_sha256="") for id_, card in manifest.cards.items()}
        return replace(manifest, cards=cards)


def check_pinned(project: Project, card_id: str, proof: Proof, findings: Iterable[Problem]) -> None:
    """Raise CheckError when a new image has not the SHA-256 that the card's manifest says.

    What differs is told against the record that is there, which is that of the last good image.
    """
    card = project.manifest.cards[card_id]
    if card.image_sha256 in ("", proof.image_sha256):
        return
    lines = list(_since(project, card_id, json.loads(recorded(project, card_id, proof, findings)["record.json"])))
    more = [f"... and {len(lines) - SHOWN:,} lines more"] if len(lines) > SHOWN else []
    what = f"the build gives {proof.image_sha256}, expected {card.image_sha256}; the last image stays"
    what = "\n    ".join([what, *lines[:SHOWN], *more])
    hint = "undo what changed; or, if it is meant, write the new value or take the line out"
    raise CheckError([Problem(Place(card.file, key="image-sha256"), what, hint, rule="image-is-the-one-pinned")])


def _since(project: Project, card_id: str, record: Mapping[str, object]) -> Iterator[str]:
    """Yield what differs from the last record, the hashes of the whole left out."""
    last = _last(project, card_id)
    if last is None:
        yield "there is no record to compare with"
        return
    changes = tuple(change for change in compare(last, side_of_record(record)) if change.group != "image")
    yield "what changed since the last record:" if changes else "nothing changed since the last record"
    yield from changes_text(changes)


def _last(project: Project, card_id: str) -> Side | None:
    try:
        return side_of_record(json.loads((project.card_folder(card_id) / "record.json").read_bytes()))
    except (FileNotFoundError, ValueError, KeyError, TypeError):
        return None
