"""A card may say which SHA-256 its finished image must have."""

from __future__ import annotations

import json
from pathlib import Path

from pipeline.errors import CheckError, Place, Problem
from pipeline.model.manifest import Card
from pipeline.model.plan import Plan

SHOWN = 8
"""Differing files that are named; the rest are counted."""


def check_pinned(card: Card, plan: Plan, sha256: str, record: Path) -> None:
    """Raise CheckError when a new image has not the SHA-256 that the card's manifest says.

    What differs is told against ``record``, that of the last good image.
    """
    if card.image_sha256 in ("", sha256):
        return
    what = f"the build gives {sha256}; expected {card.image_sha256}. The last image stays. {_since(plan, record)}"
    hint = "undo what changed; or, if it is meant, write the new value or take the line out"
    raise CheckError([Problem(Place(card.file, key="image-sha256"), what, hint)])


def _since(plan: Plan, record: Path) -> str:
    try:
        before = {file["path"]: file["sha256"] for file in json.loads(record.read_bytes())["files"]}
    except (OSError, ValueError, KeyError, TypeError):
        return "There is no record to compare with"
    now = {entry.path: entry.sha256 for entry in plan.entries if not entry.is_folder}
    changes = [
        *(f"{path} changed" for path in sorted(now.keys() & before.keys()) if now[path] != before[path]),
        *(f"{path} is new" for path in sorted(now.keys() - before.keys())),
        *(f"{path} is gone" for path in sorted(before.keys() - now.keys())),
    ]
    if not changes:
        return "Since the last record no file changed, so layout, label, serial or timestamp did, or nothing at all"
    more = f" and {len(changes) - SHOWN:,} more" if len(changes) > SHOWN else ""
    return f"Since the last record: {', '.join(changes[:SHOWN])}{more}"
