"""Making the config files a card needs: written from its manifests, or changed from existing ones."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, replace

from pipeline.card.contents import ConfigJob, file_to_edit
from pipeline.configs.edit import EditError, edit_value
from pipeline.configs.write import write_for_each
from pipeline.errors import ManifestError, Problem
from pipeline.model.content import CardFile, Content, Ingredient, Origin
from pipeline.model.rules import FILES_TO_CHANGE_ARE_THERE


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeConfig:
    """A finished config file: what asked for it, its bytes, content and origin."""

    job: ConfigJob
    data: bytes
    content: Content
    origin: Origin


def make(
    jobs: tuple[ConfigJob, ...], files: tuple[CardFile, ...], read: Callable[[CardFile], bytes]
) -> tuple[MadeConfig, ...]:
    """Return the config files of a card; raises ManifestError with every value that cannot be written or changed.

    Raises what ``read`` raises too, such as ChangedError for a file that changes meanwhile.
    """
    made: list[MadeConfig] = []
    problems: list[Problem] = []
    for job in jobs:
        try:
            made.append(_make(job, files, read))
        except ManifestError as error:
            problems += error.problems
    if problems:
        raise ManifestError(problems)
    return tuple(made)


def _before(file: CardFile) -> Ingredient:
    """Return the content of a file that is edited, and who gave it, since its rights stay theirs."""
    content, origin = file.content, file.origin
    before = Ingredient(role="before", size=content.size or 0, sha256=content.sha256)
    return before if origin.kind == "board-file" else replace(before, kind=origin.kind, owner=origin.owner)


def _make(job: ConfigJob, files: tuple[CardFile, ...], read: Callable[[CardFile], bytes]) -> MadeConfig:
    ingredients: tuple[Ingredient, ...] = ()
    if job.write:
        data = write_for_each(job.write, job.each, job.place.file)
    else:
        before = file_to_edit(job, files)
        data = read(before)
        ingredients = (_before(before),)
    problems: list[Problem] = []
    for edit, place in job.edits:
        try:
            data = edit_value(data, edit)
        except EditError as error:
            problems.append(Problem(place, f"{job.path}: {error}", error.hint, rule=FILES_TO_CHANGE_ARE_THERE.name))
    if problems:
        raise ManifestError(problems)
    steps = tuple(f"{edit.section + ': ' if edit.section else ''}{edit.name} = {edit.value}" for edit, _ in job.edits)
    content = Content(sha256=hashlib.sha256(data).hexdigest(), size=len(data))
    origin = Origin(kind=job.kind, owner=job.owner, ingredients=ingredients, steps=steps)
    return MadeConfig(job=job, data=data, content=content, origin=origin)
