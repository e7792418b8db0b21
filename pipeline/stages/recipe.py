"""Publishing a card as a recipe: manifests, own files and hashes, and no content that may not be passed on.

It has the form of a project of its own, ``inputs/`` and ``schemas/``, so that it is built like any other.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from pipeline.card.select import Selection, select
from pipeline.model.manifest import Card, Core
from pipeline.publish.readme import recipe_readme
from pipeline.publish.rights import holder_of, made_of, refusals
from pipeline.stages.history import CHANGES, changes_since_last, write_index
from pipeline.stages.keep import folder_of
from pipeline.stages.project import Project
from pipeline.stages.publish import Signing, as_json, copy_build, dist_folder, finish, gate, making, write

RECIPE = "recipe.json"
SCHEMAS = Path(__file__).parents[2] / "schemas"
NO_PLACES = "# The places to look in are named when the recipe is received.\nplaces = []\n"


def publish_recipe(project: Project, card_id: str, signing: Signing | None) -> Path:
    """Make ``dist/CARD-VERSION-recipe`` in one step and return it; raises CheckError with what stands against it."""
    target = dist_folder(project, card_id, "-recipe")
    record = gate(project, card_id, target)
    selection = select(project.manifest, project.manifest.cards[card_id])
    refused = {(one.kind, one.id) for one in refusals(record)}
    with making(target) as folder:
        for file in _manifests(project, selection):
            _copy(project.base / file, folder / "inputs" / Path(file).relative_to(project.shown(project.inputs)))
        write(folder / "inputs" / "sources.toml", NO_PLACES)
        if SCHEMAS.is_dir():
            shutil.copytree(SCHEMAS, folder / "schemas")
        left_out = []
        for holder, path in _own_paths(project, selection):
            if holder in refused:
                left_out.append(_tree(project, path))
            else:
                _copy(project.inputs / path, folder / "inputs" / path)
        for path in _sum_lists(selection):
            _copy(project.inputs / path, folder / "inputs" / path)
        copy_build(project.card_folder(card_id), folder)
        write(folder / CHANGES, changes_since_last(project, card_id, record))
        bring = list(_bring(record, _hashes(project, selection, refused)))
        document = {"cardkiln-recipe": 1, "card": card_id, "bring": bring, "left-out": left_out}
        write(folder / RECIPE, as_json(document))
        text = recipe_readme(record, len(bring), signing.who if signing else "")
        finish(folder, record, text, {record["image"]["file"]: record["image"]["sha256"]}, signing)
    write_index(project)
    return target


def _own_paths(project: Project, selection: Selection) -> Iterator[tuple[tuple[str, str], str]]:
    """Yield each file, folder or archive below the inputs that goes onto the card, with kind and id of its owner."""
    board = selection.board
    yield from ((("board", board.id), path) for path in board.base)
    owners = (
        *(("core", core.id, core.files) for core in selection.cores),
        *(("title", title.id, title.files) for title in selection.titles),
        ("card", selection.card.id, selection.card.files),
    )
    for kind, owner, files in owners:
        yield from (((kind, owner), file.source_path) for file in files if file.source_path)
    kept = folder_of(project, selection.card.id)
    if selection.card.keep and kept.is_dir():
        yield ("card", selection.card.id), kept.relative_to(project.inputs).as_posix()


def _manifests(project: Project, selection: Selection) -> list[str]:
    """Return the manifests the card is made by, as they are shown."""
    card = selection.card
    stations = [project.manifest.stations[name] for name in dict.fromkeys((*card.stations, *card.required_stations))]
    parts: tuple[Any, ...] = (selection.board, selection.card, *selection.cores, *selection.titles, *stations)
    return [part.file for part in parts]


def _sum_lists(selection: Selection) -> list[str]:
    owners: tuple[Card | Core, ...] = (selection.card, *selection.cores)
    return sorted({sums.list_path for owner in owners for sums in owner.sums})


def _copy(source: Path, target: Path) -> None:
    if source.is_dir():
        shutil.copytree(source, target, dirs_exist_ok=True)
    elif not target.exists():
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(source, target)


def _tree(project: Project, path: str) -> dict[str, Any]:
    """Return what a path that is left out holds, so that it can be put together again from contents found."""
    files = []
    for name, location in project.tree(path).items():
        content = project.content_at(location)
        files.append({"name": name, "size": content.size, "sha256": content.sha256})
    return {"path": path, "files": files}


def _hashes(project: Project, selection: Selection, refused: set[tuple[str, str]]) -> set[str]:
    """Return the SHA-256 of every content that is in the bundle."""
    included = [path for holder, path in _own_paths(project, selection) if holder not in refused]
    return {project.content_at(location).sha256 for path in included for location in project.tree(path).values()}


def _bring(record: Mapping[str, Any], included: set[str]) -> Iterator[dict[str, Any]]:
    """Yield every content that is not in the bundle and goes into the card, once, by owner and role."""
    wanted: dict[str, dict[str, Any]] = {}
    for file in record["files"]:
        if holder_of(record, file) is None:
            continue
        for content in made_of(file):
            if content["sha256"] not in included:
                role = file["path"] if content["role"] == "before" else content["role"]
                wanted.setdefault(content["sha256"], {**content, "role": role, "owner": file["made-from"]["owner"]})
    yield from sorted(wanted.values(), key=lambda one: (one["owner"], one["role"]))
