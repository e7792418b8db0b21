"""Folder mode: a mounted card is brought to what was built, file by file."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, BinaryIO

from pipeline.build.build import Build
from pipeline.build.flow import refuse_out_of_date
from pipeline.device.folder import PART, TEMPORARY, Changes, belongs, bring, compare, is_litter, room
from pipeline.errors import CheckError, RefusedError
from pipeline.fat.names import fold
from pipeline.model.content import Content
from pipeline.model.plan import Entry, Plan
from pipeline.workspace.files import read_plan
from pipeline.workspace.progress import progress


@dataclass(frozen=True, slots=True, kw_only=True)
class Update:
    """What is to be done on a mounted card, and what only a whole rewrite can do.

    ``pieces``: files that must lie in one piece and are written anew; a file system places them as it likes.
    ``leftovers``: half-written files of a run that was killed.
    """

    changes: Changes
    files: Mapping[str, Content]
    plan: Plan
    pieces: tuple[str, ...]
    leftovers: tuple[str, ...]


def prepare(build: Build, card_id: str, folder: Path) -> Update:
    """Return what an update would do; raises CheckError or RefusedError when it must not be done this way.

    The folder must hold at least half of the card's files by name: anything else is hardly this card. A file that must
    be the first on the card cannot be brought in place by a file system, so its change is refused.
    """
    card = build.inputs.manifest.cards[card_id]
    refuse_out_of_date(build, card_id)
    home = build.workspace.card_folder(card_id)
    plan = read_plan(home / "plan.json")
    record: dict[str, Any] = json.loads((home / "record.json").read_bytes())
    files = {
        one["path"]: Content(sha256=one["sha256"], size=one["size"])
        for one in record["files"]
        if not (belongs(one["path"], card.keep) and (folder / one["path"]).exists())
    }
    with progress(f"compare {folder.name}", sum(content.size or 0 for content in files.values())) as advance:
        changes = compare(files, folder, lambda path: is_litter(path) or belongs(path, card.keep), advance)
    here = len(changes.same) + len(changes.changed)
    if 2 * here < len(files):
        what = f"{here} of the {len(files)} files of {card_id} are there; expected at least half of them"
        raise RefusedError.one(what, "this is hardly that card; doit write makes a new one", file=str(folder))
    touched = {*changes.new, *changes.changed}
    placed = {one["path"]: one["placement"] for one in record["files"]}
    for path in sorted(touched):
        if placed[path] == "first":
            what = f'"{path}" differs and must be the first file of the card; only a rewrite can bring it there'
            raise CheckError.one(what, f"doit write {card_id} DEVICE; nothing was changed", file=str(folder))
    pieces = tuple(path for path in sorted(touched) if placed[path] == "one-piece")
    leftovers = tuple(path for path in changes.others if fold(path.rpartition("/")[2]) == fold(TEMPORARY))
    others = tuple(path for path in changes.others if path not in leftovers)
    changes = replace(changes, others=others)
    return Update(changes=changes, files=files, plan=plan, pieces=pieces, leftovers=leftovers)


def apply(build: Build, card_id: str, folder: Path, update: Update, *, clean: bool) -> None:
    """Bring new and changed files; with ``clean`` remove what is neither the card's nor the user's."""
    for path in update.leftovers:
        (folder / path).unlink()
    room(folder, update.files, update.changes)
    entries = {entry.path: entry for entry in update.plan.entries}
    todo = (*update.changes.new, *update.changes.changed)
    total = sum(update.files[path].size or 0 for path in todo)
    with (
        (build.workspace.card_folder(card_id) / "card.img").open("rb") as image,
        progress(f"update {folder.name}", total) as advance,
    ):
        for path in todo:
            bring(folder, path, update.files[path], _bytes(image, update.plan, entries[path]), advance)
    if clean:
        for path in update.changes.others:
            (folder / path).unlink()
    if os.name == "posix":
        os.sync()


def _bytes(image: BinaryIO, plan: Plan, entry: Entry) -> Iterator[bytes]:
    """Yield the bytes of a file from the image, where its plan has it in one piece."""
    image.seek(plan.volume.cluster_offset(entry.cluster) if entry.clusters else 0)
    left = entry.size
    while left:
        part = image.read(min(left, PART))
        left -= len(part)
        yield part
