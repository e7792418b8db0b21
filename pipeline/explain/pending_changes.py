"""What a build would change on a card: its last record against the one that its manifests come to now."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace

from pipeline.build import config, image, plan, rom
from pipeline.build.card import Worked
from pipeline.build.missing_hints import shown
from pipeline.build.record_text import recorded
from pipeline.configs.differ import text_changes
from pipeline.errors import MachineError, Problem
from pipeline.model.content import CardFile
from pipeline.record.compare import Change, Changes, compare
from pipeline.record.snapshot import File, side_of_record
from pipeline.roms.assemble import content_key
from pipeline.workspace.files import read_record
from pipeline.workspace.project import Project


def differing(project: Project, card_id: str) -> Changes:
    """Return what differs on the card from its last record, with the keys and files of the inputs behind it.

    None for a card that was not finished before. A ROM file whose bytes are not known yet counts as changed. Raises
    CardkilnError where the manifests are wrong.
    """
    worked, _ = plan.planned(project, card_id)
    proof = image.proof_of(project, card_id)
    if proof is None:
        return ()
    try:
        old = side_of_record(read_record(project.card_folder(card_id) / "record.json"))
        text = recorded(project, card_id, proof, image.findings_of(project, card_id))["record.json"]
    except (MachineError, FileNotFoundError):
        return ()
    changes = compare(old, side_of_record(json.loads(text)), _texts(project, worked))
    files = {file.path: file for file in worked.files}
    return tuple(
        _explained(project, worked, files, old.files, one) if one.group == "files" else one
        for one in changes
        if one.group != "image"
    )


def unknown(project: Project, card_id: str) -> tuple[str, ...]:
    """Return the paths of the card's ROM files whose bytes are known only when they are made, sorted."""
    files = plan.planned(project, card_id)[0].files
    return tuple(sorted(file.path for file in files if file.content.sha256 == rom.UNBUILT))


def _texts(project: Project, worked: Worked) -> Mapping[str, Sequence[str]]:
    """Return what differs in each config file from the one that lies there, by its path on the card."""
    found = {}
    for made in worked.configs:
        with suppress(FileNotFoundError):
            before = config.path_of(project, worked.selection.card.id, made.job.path).read_bytes()
            found[made.job.path] = tuple(text_changes(before, made.data))
    return found


def _explained(
    project: Project, worked: Worked, files: Mapping[str, CardFile], before: Mapping[str, File], change: Change
) -> Change:
    """Return a difference of a file with a line more for each key and file of the inputs that is behind it."""
    path = change.name.partition(":")[0]  # what follows is said of it: no name on a FAT volume has a colon
    if path not in files:
        return change
    return replace(change, because=(*change.because, *_behind(project, worked, files[path], before.get(path))))


def _behind(project: Project, worked: Worked, file: CardFile, before: File | None) -> Iterator[str]:
    known = {one["role"]: one["sha256"] for one in before.origin.get("contents", ())} if before else {}
    changed = [one for one in file.origin.ingredients if before and known.get(one.role) != one.sha256]
    hashes = (file.content.sha256, *(one.sha256 for one in changed))
    held = [worked.local[sha256] for sha256 in hashes if sha256 in worked.local]
    keys = []
    if file.origin.kind == "rom-file":
        title = project.manifest.titles[file.origin.owner]
        keys = [content_key(title, one.role.partition(" ")[2]) for one in changed]
    places = [replace(file.place, key=key) for key in keys] or [file.place]
    if held:
        yield from (f"from {shown(project, location)}" for location in held)
    else:
        yield from (f"declared in {one.place}" for one in project.located(Problem(place, "") for place in places))
