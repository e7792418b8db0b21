"""Updating a mounted card file by file."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from pipeline.device.folder import PART, Changes, belongs, compare, is_litter, refuse_links, room, write_file
from pipeline.errors import CheckError, RefusedError
from pipeline.inspect.opened_build import OpenedBuild
from pipeline.model.content import Content
from pipeline.model.plan import Entry
from pipeline.workspace.progress import progress


@dataclass(frozen=True, slots=True, kw_only=True)
class Update:
    """What is to be done on a mounted card, and what only a whole rewrite can do.

    ``pieces``: files that must lie in one piece and are written anew; a file system places them as it likes. ``yours``:
    files of the user, which are left as they are. ``absent``: files of the user that the build has and the card has
    not, and that are not written: who uses the card may have deleted them.
    """

    changes: Changes
    files: Mapping[str, Content]
    pieces: tuple[str, ...]
    yours: tuple[str, ...]
    absent: tuple[str, ...]


def prepare(build: OpenedBuild, folder: Path, *, restore: bool = False) -> Update:
    """Return what an update would do; raises CheckError or RefusedError when it must not be done this way.

    ``restore``: write files of the user too that the card has not. The folder must hold at least half of the card's
    files by name: anything else seems to be another card. A file that must be the first on the card cannot be put in
    its place by a file system, so its change is refused.
    """
    every = {file["path"]: Content(sha256=file["sha256"], size=file["size"]) for file in build.record["files"]}
    absent = [path for path in every if belongs(path, build.keep) and not os.path.lexists(folder / path)]
    brought = {*absent} if restore else set()
    files = {path: content for path, content in every.items() if path in brought or not belongs(path, build.keep)}
    yours = list[str]()

    def passed_over(path: str) -> bool:
        if is_litter(path):
            return True
        if belongs(path, build.keep):
            yours.append(path)
            return True
        return False

    with progress(f"compare {folder.name}", sum(content.size or 0 for content in files.values())) as advance:
        changes = compare(files, folder, passed_over, advance)
    here = len(changes.same) + len(changes.changed)
    if 2 * here < len(files):
        what = f"{here} of the {len(files)} files of {build.card} are there; expected at least half of them"
        raise RefusedError.one(what, "this seems to be another card; doit write makes a new one", file=str(folder))
    touched = {*changes.new, *changes.changed}
    placed = {file["path"]: file["placement"] for file in build.record["files"]}
    for path in sorted(touched):
        refuse_links(folder, path)
        if placed[path] == "first":
            what = f'"{path}" differs and must be the first file of the card; only doit write can put it there'
            raise CheckError.one(what, f"doit write {build.card} DEVICE; nothing was changed", file=str(folder))
    pieces = tuple(path for path in sorted(touched) if placed[path] == "one-piece")
    return Update(
        changes=changes,
        files=files,
        pieces=pieces,
        yours=tuple(sorted(yours)),
        absent=tuple(sorted({*absent} - brought)),
    )


def apply(build: OpenedBuild, folder: Path, update: Update, *, clean: bool) -> None:
    """Write new and changed files; with ``clean`` remove what is neither the card's nor the user's."""
    room(folder, update.files, update.changes)
    for made in build.record["folders"]:  # a core may look for one that is empty
        refuse_links(folder, made["path"])
        folder.joinpath(*made["path"].split("/")).mkdir(parents=True, exist_ok=True)
    entries = {entry.path: entry for entry in build.plan.entries}
    todo = (*update.changes.new, *update.changes.changed)
    total = sum(update.files[path].size or 0 for path in todo)
    with progress(f"update {folder.name}", total) as advance:
        for path in todo:
            write_file(folder, path, update.files[path], _bytes(build, entries[path]), advance)
    if clean:
        for path in update.changes.others:
            (folder / path).unlink()
    if sys.platform != "win32":
        os.sync()


def _bytes(build: OpenedBuild, entry: Entry) -> Iterator[bytes]:
    """Yield the bytes of a file from the image, where the plan has it in one piece."""
    start = build.plan.volume.cluster_offset(entry.cluster) if entry.clusters else 0
    for at in range(0, entry.size, PART):
        yield build.read(start + at, min(PART, entry.size - at))
