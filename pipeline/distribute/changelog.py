"""What changed from version to version, and the index of all that was published."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from typing import Any

from pipeline.publish.folder import SIGNATURE, SUMS, files_of
from pipeline.publish.index import Entry, index_entry, index_page
from pipeline.publish.signature import ALLOWED
from pipeline.record.changes_text import changes_text
from pipeline.record.compare import compare
from pipeline.record.snapshot import side_of_record
from pipeline.workspace.atomic_write import write_if_changed
from pipeline.workspace.versions import CardVersion, dates_of_index, dist_folder, published_versions
from pipeline.workspace.workspace import Workspace

CHANGES = "CHANGES.txt"
FIRST = "This is the first version that was published.\n"
SHOWN = 40
"""Lines of changes the index page shows of a version; CHANGES.txt has all."""


def changes_since_last(workspace: Workspace, record: Mapping[str, Any]) -> str:
    """Return what changed since the version of the card that was published last, as a text for the receiver.

    All folders of one version count as the same version.
    """
    card = record["card"]
    of_card = [one for one in published_versions(workspace) if one.card == card["id"]]
    earlier = [one for one in of_card if one.version != card["version"]]
    return changes_text_since(earlier[-1].record, record) if earlier else FIRST


def changes_text_since(before: Mapping[str, Any], record: Mapping[str, Any]) -> str:
    """Return what changed from one record of a card to another, as a text for the receiver."""
    lines = list(changes_text(compare(side_of_record(before), side_of_record(record))))
    head = f"Since version {before['card']['version']}:"
    return "\n".join([head, "", *(lines or ["nothing but what is not part of the card"])]) + "\n"


def index_entries(workspace: Workspace) -> list[Entry]:
    """Return an entry for each published folder, in the order they were published; raises CheckError, OSError."""
    dates = dates_of_index(workspace)
    return [
        index_entry(
            one.record,
            one.folder.name,
            one.kind,
            since=one.since,
            date=dates.get(one.folder.name) or _day_of(one.folder / SUMS),
            signed_by=stated_signer(one),
            size=sum(path.stat().st_size for path in files_of(one.folder).values()),
            changes=_lines(one.folder),
        )
        for one in published_versions(workspace)
    ]


def write_index(workspace: Workspace) -> None:
    """Write ``dist/index.json`` and ``dist/index.html`` anew from the published folders."""
    dist, entries = dist_folder(workspace), index_entries(workspace)
    style = (files("pipeline.sheet") / "templates" / "sheet.css").read_text(encoding="utf-8")
    text = json.dumps({"cardkiln-index": 1, "versions": entries}, indent=1, ensure_ascii=False)
    write_if_changed(dist / "index.json", f"{text}\n".encode())
    shown = [{**entry, "changes": _capped(entry["changes"])} for entry in entries]
    write_if_changed(dist / "index.html", index_page(shown, style).encode())


def stated_signer(version: CardVersion) -> str:
    """Return whom a published folder names as its signer, "" where it is not signed."""
    if not (version.folder / SIGNATURE).is_file():
        return ""
    try:
        return (version.folder / ALLOWED).read_text(encoding="utf-8").split()[0]
    except (OSError, ValueError, IndexError):
        return "unknown"


def _day_of(path: Path) -> str:
    """Return the day a file was last written, in UTC; "" where it is not there."""
    try:
        return datetime.fromtimestamp(path.stat().st_mtime, UTC).date().isoformat()
    except OSError:
        return ""


def _lines(folder: Path) -> list[str]:
    """Return the changes a published folder states, without their head."""
    try:
        text = (folder / CHANGES).read_text(encoding="utf-8", errors="replace")
    except FileNotFoundError:
        return []
    return [] if text == FIRST else text.splitlines()[2:]


def _capped(lines: Sequence[str]) -> list[str]:
    more = [f"and {len(lines) - SHOWN:,} lines more in {CHANGES}"] if len(lines) > SHOWN else []
    return [*lines[:SHOWN], *more]
