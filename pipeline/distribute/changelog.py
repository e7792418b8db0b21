"""What was published before: the last version of a card, and the index of all."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any

from pipeline.errors import CheckError, MachineError
from pipeline.publish.index import Entry, index_entry, index_page
from pipeline.record.changes_text import changes_text
from pipeline.record.compare import compare
from pipeline.record.snapshot import side_of_record
from pipeline.workspace.atomic_write import write_if_changed
from pipeline.workspace.files import read_record
from pipeline.workspace.workspace import Workspace

CHANGES = "CHANGES.txt"
FIRST = "This is the first version that was published.\n"
SHOWN = 40
"""Lines of changes the index page shows of a version; CHANGES.txt has all."""


def changes_since_last(workspace: Workspace, record: Mapping[str, Any]) -> str:
    """Return what changed since the version of the card that was published last, as a text for the receiver.

    Image and recipe of one version count as the same version.
    """
    card = record["card"]
    earlier = [entry for entry in _entries(workspace) if entry["card"] == card["id"]]
    earlier = [entry for entry in earlier if entry["version"] != card["version"]]
    if not earlier:
        return FIRST
    last = earlier[-1]
    before = json.loads((workspace.base / "dist" / last["folder"] / "record.json").read_bytes())
    lines = list(changes_text(compare(side_of_record(before), side_of_record(record))))
    head = f"Since version {last['version']}:"
    return "\n".join([head, "", *(lines or ["nothing but what is not part of the card"])]) + "\n"


def write_index(workspace: Workspace) -> None:
    """Write ``dist/index.json`` and ``dist/index.html`` anew from the published folders."""
    dist, entries = workspace.base / "dist", _entries(workspace)
    style = (files("pipeline.sheet") / "templates" / "sheet.css").read_text(encoding="utf-8")
    text = json.dumps({"cardkiln-index": 1, "versions": entries}, indent=1, ensure_ascii=False)
    write_if_changed(dist / "index.json", f"{text}\n".encode())
    shown = [{**entry, "changes": _capped(entry["changes"])} for entry in entries]
    write_if_changed(dist / "index.html", index_page(shown, style).encode())


def _entries(workspace: Workspace) -> Sequence[Entry]:
    """Return an entry for each published folder, in the order they were published.

    That order is the index's own; a folder it does not know, after an interruption, comes last, by name.
    """
    dist = workspace.base / "dist"
    try:
        known = [entry["folder"] for entry in json.loads((dist / "index.json").read_bytes())["versions"]]
    except (OSError, ValueError, KeyError, TypeError):
        known = []
    found = {path.parent.name: path for path in sorted(dist.glob("[!.]*/record.json"))}
    order = [*(name for name in known if name in found), *(name for name in found if name not in known)]
    return [index_entry(_record(workspace, found[name]), name, list(_lines(found[name].parent))) for name in order]


def _record(workspace: Workspace, path: Path) -> Mapping[str, Any]:
    """Return the record of a published folder; raises CheckError for a damaged one."""
    try:
        return read_record(path)
    except MachineError:
        what = "is damaged; the index of versions and the list of changes need it"
        hint = f"restore {path.parent.name}, or move it out of dist"
        raise CheckError.one(what, hint, file=workspace.shown(path)) from None


def _lines(folder: Path) -> Iterator[str]:
    """Yield the changes a published folder states, without their head."""
    try:
        text = (folder / CHANGES).read_text(encoding="utf-8", errors="replace")
    except FileNotFoundError:
        return
    if text != FIRST:
        yield from text.splitlines()[2:]


def _capped(lines: Sequence[str]) -> list[str]:
    more = [f"and {len(lines) - SHOWN:,} lines more in {CHANGES}"] if len(lines) > SHOWN else []
    return [*lines[:SHOWN], *more]
