"""The index of what was published: versions, digests, and what changed from one to the next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from pipeline.model.units import show_size

Entry = Mapping[str, Any]


def index_entry(
    record: Mapping[str, Any],
    folder: str,
    kind: str,
    *,
    since: str,
    date: str,
    signed_by: str,
    size: int,
    changes: Sequence[str],
) -> Entry:
    """Return what the index says of a published folder.

    ``kind``: "image", "recipe" or "delta". ``since``: the version a delta is against. ``date``: the day it was
    published, in UTC. ``signed_by``: "" where it is not signed. ``size``: bytes of the folder's files. ``changes``:
    lines since the version before.
    """
    return {
        "card": record["card"]["id"],
        "name": record["card"]["name"],
        "version": record["card"]["version"],
        "folder": folder,
        "kind": kind,
        **({"since": since} if since else {}),
        "date": date,
        "signed-by": signed_by,
        "size": size,
        "image": {"size": record["image"]["size"], "sha256": record["image"]["sha256"]},
        "made-by": record["made-by"]["program"],
        "changes": list(changes),
    }


def index_page(entries: Sequence[Entry], style: str) -> str:
    """Return the index as one HTML page, the newest version of each card first; ``style`` is its CSS.

    Equal values give equal bytes; everything in it is escaped by the template.
    """
    cards: dict[str, list[Entry]] = {}
    for entry in reversed(entries):
        cards.setdefault(entry["card"], []).append(entry)
    return _TEMPLATE.render(cards=[(card, cards[card]) for card in sorted(cards)], style=style)


def _environment() -> Environment:
    made = Environment(
        loader=PackageLoader("pipeline.publish"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["size"] = show_size
    return made


_TEMPLATE = _environment().get_template("index.html")
