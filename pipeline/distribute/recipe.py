"""Publishing a card as a recipe: manifests, own files and hashes, and no content that may not be passed on.

It has the form of a project of its own, ``inputs/`` and ``schemas/``, so that it is built like any other.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from pipeline.build.build import Build
from pipeline.build.card_inputs import manifests, other_boards, own_paths, stand_in, sum_lists
from pipeline.build.inputs import Inputs
from pipeline.card.select import Selection
from pipeline.distribute.changelog import CHANGES, write_index
from pipeline.distribute.gate import CheckedCard, checked_card
from pipeline.distribute.publish import Signing, as_json, finish, folder_in_dist, making, write
from pipeline.errors import CardkilnError, CheckError
from pipeline.file_digest import sha256_of_file
from pipeline.publish.readme import recipe_readme
from pipeline.publish.rights import holder_of, made_of, stated, wrong_rights
from pipeline.resources import SCHEMAS
from pipeline.sheet.cautions import WRITING, cautions
from pipeline.workspace.versions import CardVersion

RECIPE = "recipe.json"

NO_PLACES = "# The places to look in are named when the recipe is received.\nplaces = []\n"


def publish_recipe(
    build: Build, card_id: str, signing: Signing | None, earlier: Iterable[CardkilnError] = ()
) -> CardVersion:
    """Make ``dist/CARD-VERSION-recipe`` in one step and return it; raises CardkilnError with every error.

    ``earlier``: errors found before.
    """
    workspace = build.workspace
    target = folder_in_dist(workspace, build.inputs.manifest.cards[card_id], "-recipe")
    with checked_card(build, card_id, target, earlier, contents=False) as checked:
        with making(target) as folder:
            _fill(folder, checked, signing)
        write_index(workspace)
        return CardVersion(folder=target, kind="recipe", record=checked.record)


def _fill(folder: Path, checked: CheckedCard, signing: Signing | None) -> None:
    """Put everything into the folder that is handed over; contents whose rights do not suffice stay out."""
    inputs, record, card = checked.build.inputs, checked.record, checked.finished.card
    workspace, selection = inputs.workspace, inputs.copied(card).selection
    owners = {owner for owner, _ in own_paths(workspace, selection)}
    refused = {owner for owner in owners if any(wrong_rights(stated(record, *owner)))}
    shown = workspace.shown(workspace.inputs)
    for file in (*manifests(inputs, selection), *(board.file for board in other_boards(inputs, selection))):
        _copy(workspace.base / file, folder / "inputs" / Path(file).relative_to(shown))
    write(folder / "inputs" / "sources.toml", NO_PLACES)
    for schema in sorted(SCHEMAS.glob("*.json")):
        _copy(schema, folder / "schemas" / schema.name)
    left_out = []
    for owner, path in own_paths(workspace, selection):
        if owner in refused:
            left_out.append(_tree(inputs, path))
        else:
            _copy_tree(inputs, path, folder / "inputs" / path)
    for path in sum_lists(selection):
        _copy(workspace.inputs / path, folder / "inputs" / path)
    stand_in(inputs, selection, folder / "inputs", {tree["path"] for tree in left_out})
    checked.write_documents(folder)
    write(folder / CHANGES, checked.changes)
    bring = list(_bring(record, _hashes(inputs, selection, refused)))
    document: dict[str, Any] = {"cardkiln-recipe": 1, "card": card.id, "bring": bring, "left-out": left_out}
    if empty := sorted(_empty_folders(inputs, selection, refused)):
        document["empty-folders"] = empty
    write(folder / RECIPE, as_json(document))
    warned = [*cautions(checked.finished), WRITING]
    text = recipe_readme(record, len(bring), signing.who if signing else "", warned, selection.board.cautions)
    finish(folder, record, text, {record["image"]["file"]: record["image"]["sha256"]}, signing)


def _copy(source: Path, target: Path) -> None:
    """Copy the bytes of a file and nothing else of it, once."""
    if not target.exists():
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(source, target)


def _copy_tree(inputs: Inputs, path: str, target: Path) -> None:
    """Copy a file, an archive, or the files of a folder that go onto the card."""
    source = inputs.workspace.inputs / path
    if source.is_file():
        _copy(source, target)
        return
    for name, location, content in inputs.tree_contents(path):
        _copy(Path(location.path), target / name)
        if sha256_of_file(target / name) != content.sha256:
            what = "was changed while it was published"
            raise CheckError.one(what, "build the card again", file=inputs.workspace.shown(Path(location.path)))


def _tree(inputs: Inputs, path: str) -> dict[str, Any]:
    """Return what a path that is left out holds, so that it can be put together again from contents found."""
    files = [
        {"name": name, "size": content.size, "sha256": content.sha256}
        for name, _, content in inputs.tree_contents(path)
    ]
    return {"path": path, "files": files}


def _empty_folders(inputs: Inputs, selection: Selection, refused: set[tuple[str, str]]) -> Iterator[str]:
    """Yield the paths below the inputs of folders without files, which sums and some ways of copying pass over."""
    for owner, path in own_paths(inputs.workspace, selection):
        if owner in refused or (inputs.workspace.inputs / path).is_dir():
            yield from ("/".join(filter(None, (path, name))) for name in inputs.empty_folders(path))


def _hashes(inputs: Inputs, selection: Selection, refused: set[tuple[str, str]]) -> set[str]:
    """Return the SHA-256 of every content that is in the bundle."""
    included = [path for holder, path in own_paths(inputs.workspace, selection) if holder not in refused]
    return {content.sha256 for path in included for _, _, content in inputs.tree_contents(path)}


def _bring(record: Mapping[str, Any], included: set[str]) -> Iterator[dict[str, Any]]:
    """Yield every content that is not in the bundle and goes into the card, once, by owner and role."""
    wanted: dict[str, dict[str, Any]] = {}
    for file in record["files"]:
        if holder_of(record, file) is None:
            continue
        for content in made_of(file):
            if content["sha256"] not in included:
                role = file["path"] if content["role"] == "before" else content["role"]
                owner = content.get("owner", file["made-from"]["owner"])
                known = {"role": role, "size": content["size"], "sha256": content["sha256"], "owner": owner}
                wanted.setdefault(content["sha256"], known)
    yield from sorted(wanted.values(), key=lambda item: (item["owner"], item["role"]))
