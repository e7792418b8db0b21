"""Building a received recipe: its manifests, with contents that are the receiver's own."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pipeline.build.build import Build
from pipeline.build.flow import build_card
from pipeline.build.inputs import Inputs
from pipeline.distribute.receive import Received, folder_of, stays
from pipeline.distribute.recipe import RECIPE
from pipeline.errors import CheckError, MachineError, Place, Problem
from pipeline.model.content import Content, Found, Wanted
from pipeline.model.manifest import ArchiveLimits
from pipeline.model.text import counted
from pipeline.model.units import show_size
from pipeline.publish.folder import STRANGE, files_of
from pipeline.sources.files.read import open_content
from pipeline.workspace.workspace import PROGRAM, Workspace


def build_recipe(workspace: Workspace, received: Received, places: Sequence[Path], say: Callable[[str], None]) -> Path:
    """Build a checked recipe with contents found in ``places``, and return where the image lies.

    Raises CheckError with all that lacks, or when the image that comes out is another one; MachineError for a place
    that is not there.
    """
    recipe, record = received.recipe or {}, received.record
    _check_places(places)
    home = folder_of(workspace, received)
    inner = Workspace(home / "inputs", home / "build", workspace.base)
    _take_inputs(received.folder / "inputs", inner.inputs, places)
    _bring(inner, recipe, places)
    card_id = record["card"]["id"]
    inputs = Inputs(inner, epoch=_epoch(record["volume"]["timestamp"])).unpinned()
    if card_id not in inputs.manifest.cards:
        raise CheckError.one(f"found no manifest of the card {card_id!r}", STRANGE, file="inputs/cards")
    build_card(Build(inputs), card_id, say)
    image = inner.card_folder(card_id) / "card.img"
    made = json.loads((inner.card_folder(card_id) / "record.json").read_bytes())
    if made["image"]["sha256"] != record["image"]["sha256"]:
        what = f"found the SHA-256 {made['image']['sha256']}, expected {record['image']['sha256']}"
        by = record["made-by"]["program"]
        hint = f"it was made by {by}, this is {PROGRAM}" if by != PROGRAM else "please report this"
        raise CheckError.one(what, hint, file=workspace.shown(image))
    return image


def _check_places(places: Sequence[Path]) -> None:
    problems = []
    for place in places:
        if not place.exists():
            problems.append(Problem(Place(str(place)), "there is no such folder or archive", "correct the path"))
        elif any(not character.isprintable() for character in str(place.absolute())):
            problems.append(Problem(Place(ascii(str(place))), "its name is no plain text", "rename it"))
    if problems:
        raise MachineError(problems)


def _take_inputs(source: Path, target: Path, places: Sequence[Path]) -> None:
    """Copy the recipe's inputs, bytes only; where to look is for the receiver to say, and for nobody else."""
    if not source.is_dir():
        raise CheckError.one("is missing; a recipe has its manifests there", STRANGE, file="inputs")
    shutil.rmtree(target, ignore_errors=True)
    for name, path in files_of(source).items():
        if name not in ("sources.toml", "sources.local.toml"):
            copy = target / name
            copy.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, copy)
    target.mkdir(parents=True, exist_ok=True)
    shown = ", ".join(json.dumps(str(place.absolute()), ensure_ascii=False) for place in places)
    (target / "sources.toml").write_text(f"places = [{shown}]\n", encoding="utf-8")


def _bring(workspace: Workspace, recipe: Mapping[str, Any], places: Sequence[Path]) -> None:
    """Search for what the recipe leaves out, and put folders together that manifests name by path."""
    contents = {one["sha256"]: Content(sha256=one["sha256"], size=one["size"]) for one in recipe["bring"]}
    targets = list(_left_out(recipe, contents))
    wanted = [
        Wanted(
            content=contents[one["sha256"]],
            name=f"{one['role']} of {one['owner']}",
            place=Place(RECIPE),
            file_names=(one["role"].rpartition("/")[2].removeprefix("chip "),),
        )
        for one in recipe["bring"]
    ]
    scan = workspace.index.scan(places, ArchiveLimits())
    found = workspace.index.find(wanted)
    if found.missing:
        raise CheckError([*scan.problems, *_lacking(workspace, found, len(wanted), len(places))])
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
                raise CheckError([Problem(place, f"{path!r} is of no content that is to be brought", STRANGE)])
            yield path, contents[file["sha256"]]


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


def _epoch(timestamp: str) -> str:
    """Return the time of the published card in seconds since 1970; one that a card names itself is in its manifest."""
    try:
        return str(int(datetime.fromisoformat(timestamp).replace(tzinfo=UTC).timestamp()))
    except ValueError:
        what = f"found {timestamp}, expected a date and a time of day"
        raise CheckError.one(what, STRANGE, file="record.json", key="volume.timestamp") from None
