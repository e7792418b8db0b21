"""What a build would change on a card: its last record against the one that its manifests come to now."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace

from pipeline.build import image
from pipeline.build.card import CardBuild
from pipeline.build.missing_hints import shown
from pipeline.build.recipe import UNBUILT
from pipeline.card.contents import ConfigJob
from pipeline.configs.differ import text_changes
from pipeline.errors import MachineError, Place, Problem
from pipeline.model.content import CardFile
from pipeline.record.compare import SAME_BYTES, Changes, Difference, compare
from pipeline.record.document import record_bytes
from pipeline.record.snapshot import CardSnapshot, File, side_of_record
from pipeline.roms.assemble import content_key
from pipeline.workspace.files import read_record

SAME_HASH_DECLARED = "made otherwise, its declared SHA-256 is the same"
"""What is said of a ROM file before its new steps are known to give the declared bytes."""


def differing(card: CardBuild, unbuilt: Collection[str] = ()) -> Changes:
    """Return what differs on the card from its last record, with the keys and files of the inputs behind it.

    ``unbuilt``: ids of titles whose ROM files are to be made again, so that a declared hash is all that is known of
    their bytes. None for a card that was not finished before. A ROM file whose bytes are not known yet counts as
    changed. Raises CardkilnError where the manifests are wrong.
    """
    try:
        old = side_of_record(read_record(card.folder / "record.json"))
        finished = image.finished(card)
        text = record_bytes(finished)
    except (MachineError, FileNotFoundError):
        return ()
    changes = compare(old, side_of_record(json.loads(text)), _texts(card))
    files = {file.path: file for file in finished.files}
    return tuple(
        _explained(card, files, old, change, unbuilt) if change.group == "files" else change
        for change in changes
        if change.group != "image"
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


def _explained(
    card: CardBuild, files: Mapping[str, CardFile], old: CardSnapshot, change: Difference, unbuilt: Collection[str]
) -> Difference:
    """Return a difference of a file with a line more for each key and file of the inputs that is behind it."""
    path = change.name.partition(":")[0]  # what follows is said of it: no name on a FAT volume has a colon
    if path not in files:
        return change
    file = files[path]
    if file.origin.kind == "rom-file" and file.origin.owner in unbuilt:
        change = replace(change, name=change.name.replace(SAME_BYTES, SAME_HASH_DECLARED))
    return replace(change, because=(*change.because, *_behind(card, file, old)))


def _behind(card: CardBuild, file: CardFile, old: CardSnapshot) -> Iterator[str]:
    before = old.files.get(file.path)
    known = (
        {ingredient["role"]: ingredient["sha256"] for ingredient in before.origin.get("contents", ())} if before else {}
    )
    changed = [
        ingredient
        for ingredient in file.origin.ingredients
        if before and known.get(ingredient.role) != ingredient.sha256
    ]
    edited = next((made.job for made in card.configs if made.job.path == file.path and made.job.edits), None)
    hashes = (*(() if edited else (file.content.sha256,)), *(ingredient.sha256 for ingredient in changed))
    locations = [card.local[sha256] for sha256 in hashes if sha256 in card.local]
    yield from (f"from {shown(card.workspace, location)}" for location in locations)
    places = [file.place]
    if file.origin.kind == "rom-file" and changed:
        title = card.inputs.manifest.titles[file.origin.owner]
        places = [title.place(content_key(title, ingredient.role.partition(" ")[2])) for ingredient in changed]
    if edited and before:
        places = list(_new_edits(card, edited, file, old, before))
    if edited or not locations:
        found = card.workspace.located(Problem(place, "") for place in places)
        yield from (f"declared in {problem.place}" for problem in found)


def _new_edits(card: CardBuild, job: ConfigJob, file: CardFile, old: CardSnapshot, before: File) -> Iterator[Place]:
    """Yield where each value of a config file is asked for that was not, or was another, in the last record."""
    known = before.origin.get("steps", ())
    for (_, place), step in zip(job.edits, file.origin.steps, strict=True):
        if step not in known:
            yield _asked_in(card, place, old)


def _asked_in(card: CardBuild, place: Place, old: CardSnapshot) -> Place:
    """Return where a new choice of a board setting is asked for, by the card or a core; else the place itself."""
    selection, name = card.selection, place.key.removeprefix("settings.")
    choice = selection.settings.get(name) if place.file == selection.board.file else None
    if choice is None or choice == old.card.get(f"board settings {name}"):
        return place
    if name in card.card.settings:
        return Place(card.card.file, key=place.key)
    core = next(core for core in selection.cores if name in core.needs.settings)
    return Place(core.file, key=f"needs.settings.{name}")
