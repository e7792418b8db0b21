"""What a build would change on a card: its last record against the one that its manifests come to now."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace

from pipeline.build import image
from pipeline.build.card import CardBuild
from pipeline.build.missing_hints import shown
from pipeline.build.recipe import UNBUILT
from pipeline.configs.differ import text_changes
from pipeline.errors import MachineError, Problem
from pipeline.model.content import CardFile
from pipeline.record.compare import Change, Changes, compare
from pipeline.record.document import record_files
from pipeline.record.snapshot import File, side_of_record
from pipeline.roms.assemble import content_key
from pipeline.workspace.files import read_record


def differing(card: CardBuild) -> Changes:
    """Return what differs on the card from its last record, with the keys and files of the inputs behind it.

    None for a card that was not finished before. A ROM file whose bytes are not known yet counts as changed. Raises
    CardkilnError where the manifests are wrong.
    """
    try:
        old = side_of_record(read_record(card.folder / "record.json"))
        text = record_files(image.finished(card))["record.json"]
    except (MachineError, FileNotFoundError):
        return ()
    changes = compare(old, side_of_record(json.loads(text)), _texts(card))
    files = {file.path: file for file in card.files}
    return tuple(
        _explained(card, files, old.files, one) if one.group == "files" else one
        for one in changes
        if one.group != "image"
    )


def unknown(card: CardBuild) -> tuple[str, ...]:
    """Return the paths of the card's ROM files whose bytes are known only when they are made, sorted."""
    return tuple(sorted(file.path for file in card.files if file.content.sha256 == UNBUILT))


def _texts(card: CardBuild) -> Mapping[str, Sequence[str]]:
    """Return what differs in each config file from the one that lies there, by its path on the card."""
    found = {}
    for made in card.configs:
        with suppress(FileNotFoundError):
            before = card.config_path(made).read_bytes()
            found[made.job.path] = tuple(text_changes(before, made.data))
    return found


def _explained(card: CardBuild, files: Mapping[str, CardFile], before: Mapping[str, File], change: Change) -> Change:
    """Return a difference of a file with a line more for each key and file of the inputs that is behind it."""
    path = change.name.partition(":")[0]  # what follows is said of it: no name on a FAT volume has a colon
    if path not in files:
        return change
    return replace(change, because=(*change.because, *_behind(card, files[path], before.get(path))))


def _behind(card: CardBuild, file: CardFile, before: File | None) -> Iterator[str]:
    known = {one["role"]: one["sha256"] for one in before.origin.get("contents", ())} if before else {}
    changed = [one for one in file.origin.ingredients if before and known.get(one.role) != one.sha256]
    hashes = (file.content.sha256, *(one.sha256 for one in changed))
    held = [card.local[sha256] for sha256 in hashes if sha256 in card.local]
    keys = []
    if file.origin.kind == "rom-file":
        title = card.inputs.manifest.titles[file.origin.owner]
        keys = [content_key(title, one.role.partition(" ")[2]) for one in changed]
    places = [replace(file.place, key=key) for key in keys] or [file.place]
    if held:
        yield from (f"from {shown(card.workspace, location)}" for location in held)
    else:
        yield from (
            f"declared in {one.place}" for one in card.workspace.located(Problem(place, "") for place in places)
        )
