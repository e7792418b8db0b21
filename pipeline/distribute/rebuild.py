"""Building a received recipe: its manifests, with contents that are the receiver's own."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pipeline.build.build import Build
from pipeline.build.flow import build_card
from pipeline.build.inputs import Inputs
from pipeline.distribute.receive import Received, first_problem_only, folder_of, stays
from pipeline.distribute.recipe import RECIPE
from pipeline.errors import CheckError, MachineError, Place, Problem
from pipeline.file_digest import sha256_of_file
from pipeline.model.content import Content, Found, Wanted
from pipeline.model.manifest import ArchiveLimits
from pipeline.model.text import counted, shown
from pipeline.model.units import show_size
from pipeline.publish.folder import STRANGE, files_of
from pipeline.sources.files.read import open_content
from pipeline.workspace.files import read_record
from pipeline.workspace.workspace import PROGRAM, Workspace


def build_recipe(workspace: Workspace, received: Received, places: Sequence[Path]) -> Path:
    """Build a checked recipe with contents found in ``places``, and return where the image lies.

    The caller holds the lock of the build folder. Raises CheckError with all contents that are missing, or when what
    comes out is not what was published; MachineError for a place that is not there.
    """
    recipe = received.recipe or {}
    _check_places(places)
    home = folder_of(workspace, received)
    inner = Workspace(home / "inputs", home / "build", workspace.base)
    _take_inputs(received.folder / "inputs", inner.inputs, places)
    _bring(inner, recipe, places)
    with first_problem_only():
        return _built(workspace, inner, received)


def _built(workspace: Workspace, inner: Workspace, received: Received) -> Path:
    """Build the card of a recipe whose contents are all there, and compare it with what was published."""
    record = received.record
    card_id, program = record["card"]["id"], record["made-by"]["program"]
    inputs = Inputs(inner, epoch=_epoch(record["volume"]))
    card = inputs.manifest.cards.get(card_id)
    if card is None:
        raise CheckError.one(f"found no manifest of the card {card_id}", STRANGE, file="inputs/cards")
    bare = replace(card, image_sha256="", without_kept=card.keep if "without-kept" in record["card"] else ())
    build_card(Build(inputs.with_cards([bare])), card_id, lambda _: None)
    made = inner.card_folder(card_id)
    image = made / "card.img"
    sha256 = read_record(made / "record.json")["image"]["sha256"]
    if sha256 != record["image"]["sha256"]:
        what = f"found the SHA-256 {sha256}, expected {record['image']['sha256']}"
        hint = f"it was made by {shown(program)}, this is {PROGRAM}" if program != PROGRAM else STRANGE
        raise CheckError.one(what, hint, file=workspace.shown(image))
    for name in ("plan.json", "record.json", "sheet.html") if program == PROGRAM else ():
        if sha256_of_file(made / name) != sha256_of_file(received.folder / name):
            raise CheckError.one("is not what the manifests of the recipe give", STRANGE, file=name)
    return image


def _check_places(places: Sequence[Path]) -> None:
    problems = []
    for place in places:
        if not place.exists():
            problems.append(Problem(Place(str(place)), "there is no such folder or archive", "correct the path"))
        elif any(not character.isprintable() for character in str(place.absolute())):
            problems.append(Problem(Place(shown(place)), "its name is not plain text", "rename it"))
    if problems:
        raise MachineError(problems)


def _take_inputs(source: Path, target: Path, places: Sequence[Path]) -> None:
    """Copy the recipe's inputs, bytes only.

    Where to look is for the receiver to say, and for nobody else; files of a user are no part of what is published.
    """
    if not source.is_dir():
        raise CheckError.one("is missing; a recipe has its manifests there", STRANGE, file="inputs")
    shutil.rmtree(target, ignore_errors=True)
    for name, path in files_of(source).items():
        if name not in ("sources.toml", "sources.local.toml") and not name.startswith("kept/"):
            copy = target / name
            copy.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, copy)
    target.mkdir(parents=True, exist_ok=True)
    listed = ", ".join(json.dumps(str(place.absolute()), ensure_ascii=False) for place in places)
    (target / "sources.toml").write_text(f"places = [{listed}]\n", encoding="utf-8")


def _bring(workspace: Workspace, recipe: Mapping[str, Any], places: Sequence[Path]) -> None:
    """Search for what the recipe leaves out, and put folders together that manifests name by path."""
    brought = recipe["bring"]
    contents = {item["sha256"]: Content(sha256=item["sha256"], size=item["size"]) for item in brought}
    targets = list(_left_out(recipe, contents))
    folders = _empty_folders(recipe)
    wanted = [
        Wanted(
            content=contents[item["sha256"]],
            name=shown(f"{item['role']} of {item['owner']}"),
            place=Place(RECIPE),
            file_names=(item["role"].rpartition("/")[2].removeprefix("chip "),),
        )
        for item in brought
    ]
    scan = workspace.index.scan(places, ArchiveLimits())
    found = workspace.index.find(wanted)
    if found.missing:
        raise CheckError([*scan.problems, *_lacking(workspace, found, len(wanted), len(places))])
    for path in folders:
        workspace.inputs.joinpath(*path.split("/")).mkdir(parents=True, exist_ok=True)
    for path, content in targets:
        target = workspace.inputs.joinpath(*path.split("/"))
        target.parent.mkdir(parents=True, exist_ok=True)
        with open_content(found.locations[content.sha256], content) as source, target.open("wb") as copy:
            shutil.copyfileobj(source, copy)


def _left_out(recipe: Mapping[str, Any], contents: Mapping[str, Content]) -> Iterator[tuple[str, Content]]:
    """Yield each file that is put together again, by its path below the inputs; raises CheckError for strange ones."""
    for number, tree in enumerate(recipe["left-out"], 1):
        for file in tree["files"]:
            path = "/".join(filter(None, (tree["path"], file["name"])))
            place = Place(RECIPE, key=f"left-out.{number}")
            if not stays(path):
                what = f"found the path {path!r}, expected one that stays below the inputs"
                raise CheckError([Problem(place, what, STRANGE)])
            if file["sha256"] not in contents:
                raise CheckError([Problem(place, f"{path!r} is of no content that the receiver supplies", STRANGE)])
            yield path, contents[file["sha256"]]


def _empty_folders(recipe: Mapping[str, Any]) -> list[str]:
    """Return the folders without files that are made; raises CheckError for strange ones."""
    strange = [path for path in recipe.get("empty-folders", []) if not stays(path)]
    if strange:
        what = f"found the path {strange[0]!r}, expected one that stays below the inputs"
        raise CheckError([Problem(Place(RECIPE, key="empty-folders"), what, STRANGE)])
    return list(recipe.get("empty-folders", []))


def _lacking(workspace: Workspace, found: Found, wanted: int, places: int) -> Iterator[Problem]:
    """Yield one line for all, and one for each content that was not found."""
    what = (
        f"{len(found.missing):,} of {counted(wanted, 'content')} are in none of the {counted(places, 'place')} searched"
    )
    yield Problem(Place(RECIPE), what, "name folders or archives with your own dumps: doit receive FOLDER PLACE ...")
    for item, near in found.missing:
        what = f"{show_size(item.content.size or 0)}, SHA-256 {item.content.sha256}"
        hint = f"nearest is {workspace.shown(Path(near.location.path))}: {near.why}" if near else ""
        yield Problem(Place(RECIPE, key=item.name), what, hint)


def _epoch(volume: Mapping[str, Any]) -> str | None:
    """Return the time of the published card in seconds since 1970; None for one that nobody gave from outside."""
    if volume["timestamp-from"] != "SOURCE_DATE_EPOCH":
        return None
    try:
        return str(int(datetime.fromisoformat(volume["timestamp"]).replace(tzinfo=UTC).timestamp()))
    except ValueError:
        what = f"found {shown(volume['timestamp'])}, expected a date and a time of day"
        raise CheckError.one(what, STRANGE, file="record.json", key="volume.timestamp") from None
