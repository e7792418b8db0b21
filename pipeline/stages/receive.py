"""Receiving a published folder: everything in it is checked before anything of it is used."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pipeline.card.plan_text import plan_from_lines
from pipeline.errors import CheckError, ManifestError, Place, Problem
from pipeline.image.read_back import read_back
from pipeline.image.written import Written
from pipeline.manifest.sums import parse_sums
from pipeline.manifest.validate import schema
from pipeline.model.content import Content, Found, Wanted
from pipeline.model.manifest import ArchiveLimits
from pipeline.model.units import show_size
from pipeline.publish.folder import SIGNATURE, STRANGE, SUMS, check_sums, files_of
from pipeline.publish.pack import SUFFIXES, unpack
from pipeline.publish.signature import check_form, fingerprint, signer
from pipeline.sources.read import open_content
from pipeline.stages import build
from pipeline.stages.progress import progress
from pipeline.stages.project import PROGRAM, Project
from pipeline.stages.recipe import RECIPE
from pipeline.stages.stamp import replacing
from pipeline.stages.words import counted

LARGEST = 256_000_000_000
"""Bytes of an image: more than any card for such a board has, and less than would fill a night with unpacking."""
LONGEST = 64 << 20
"""Bytes of a document; one that is read whole must not fill the memory."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Received:
    """A checked folder: its record, recipe (None for an image), and what is to be said of its signature."""

    record: Mapping[str, Any]
    recipe: Mapping[str, Any] | None
    signed: str
    folder: Path


def check(folder: Path, signers: Path | None) -> Received:
    """Return what a published folder holds, once its list, signature, record and statement are as they should be.

    ``signers``: the receiver's own list of allowed signers; without one a signature proves only that nothing was
    changed since it was made. Raises CheckError with everything that is wrong.
    """
    files = files_of(folder)
    if SUMS not in files:
        raise CheckError.one("is missing; expected the checksum list of a published folder", file=str(folder / SUMS))
    for name in {SUMS, SIGNATURE, "record.json", "provenance.json", RECIPE} & files.keys():
        if files[name].stat().st_size > LONGEST:
            raise CheckError.one(f"is larger than {LONGEST:,} bytes, the limit", STRANGE, file=name)
    signed = _signed(folder, files, signers)
    sums = _sums(files[SUMS])
    total = sum(path.stat().st_size for path in files.values())
    with progress(f"check {folder.name}", total) as advance:
        problems = list(check_sums(files, sums, {"card.img"}, advance))
    if problems:
        raise CheckError(problems)
    record = _document(files, "record.json")
    problems = list(_record_problems(record)) or list(_disagreements(files, sums, record))
    if problems:
        raise CheckError(problems)
    recipe = _document(files, RECIPE) if RECIPE in files else None
    return Received(record=record, recipe=recipe, signed=signed, folder=folder)


def take_image(project: Project, received: Received) -> Path:
    """Unpack a checked image into the build folder, read it back, and return where it lies."""
    record, image = received.record, received.record["image"]
    if image["size"] > LARGEST:
        what = f"states an image of {image['size']:,} bytes; {LARGEST:,} is the limit"
        raise CheckError.one(what, STRANGE, file="record.json")
    packed = [received.folder / (image["file"] + suffix) for suffix in SUFFIXES.values()]
    there = [path for path in packed if path.is_file()]
    if len(there) != 1:
        names = ", ".join(path.name for path in packed)
        raise CheckError.one(f"found {len(there)} packed images, expected one of {names}", STRANGE)
    target = folder_of(project, received) / str(image["file"])
    with replacing(target) as temporary:
        with progress(f"unpack {there[0].name}", image["size"]) as advance:
            sha256 = unpack(there[0], temporary, image["size"], advance)
        if sha256 != image["sha256"]:
            what = f"unpacks to the SHA-256 {sha256}; expected {image['sha256']}"
            raise CheckError.one(what, STRANGE, file=there[0].name)
        with (received.folder / "plan.json").open(encoding="utf-8") as lines:
            plan = plan_from_lines(lines)
        written = Written(image_sha256=sha256, image_size=image["size"], bytes_written=0)
        with progress("read back", record["proven"]["file-bytes"]) as advance:
            read_back(plan, temporary, written, advance)
    return target


def build_recipe(project: Project, received: Received, places: Sequence[Path], say: Callable[[str], None]) -> Path:
    """Build a checked recipe with contents found in ``places``, and return where the image lies.

    Raises CheckError with all that lacks, or when the image that comes out is another one.
    """
    recipe, record = received.recipe or {}, received.record
    home = folder_of(project, received)
    shutil.rmtree(home / "inputs", ignore_errors=True)
    shutil.copytree(received.folder / "inputs", home / "inputs")
    shown = ", ".join(json.dumps(str(place.absolute())) for place in places)
    (home / "inputs" / "sources.toml").write_text(f"places = [{shown}]\n", encoding="utf-8")
    inner = Project(home / "inputs", home / "build", home)
    _bring(inner, recipe, places)
    moment = datetime.fromisoformat(record["volume"]["timestamp"]).replace(tzinfo=UTC)
    os.environ["SOURCE_DATE_EPOCH"] = str(int(moment.timestamp()))
    card_id = record["card"]["id"]
    build.build(inner, card_id, say)
    image = inner.card_folder(card_id) / str(record["image"]["file"])
    made = json.loads((inner.card_folder(card_id) / "record.json").read_bytes())
    if made["image"]["sha256"] != record["image"]["sha256"]:
        what = f"found the SHA-256 {made['image']['sha256']}, expected {record['image']['sha256']}"
        by = record["made-by"]["program"]
        hint = f"it was made by {by}, this is {PROGRAM}" if by != PROGRAM else "please report this"
        raise CheckError.one(what, hint, file=project.shown(image))
    return image


def folder_of(project: Project, received: Received) -> Path:
    """Return where a received card is unpacked or built."""
    card = received.record["card"]
    return project.build / "received" / f"{card['id']}-{card['version']}"


def _signed(folder: Path, files: Mapping[str, Path], signers: Path | None) -> str:
    """Return what is to be said of the signature over the list."""
    if SIGNATURE not in files:
        if signers:
            what = f"is missing; expected the signature of one of {signers}"
            raise CheckError.one(what, STRANGE, file=SIGNATURE)
        return "not signed: the sums show damage, not who made it"
    check_form(files[SIGNATURE])
    if signers:
        return f"signed by {signer(files[SUMS], files[SIGNATURE], signers)}"
    key = fingerprint(files[SUMS], files[SIGNATURE])
    return f"signed with {key}; compare it with the publisher's by another way, or give --signers FILE"


def _sums(path: Path) -> dict[str, str]:
    """Return the SHA-256 of each name in the checksum list; its paths stay in the folder."""
    try:
        return {name: sha256 for sha256, name in parse_sums(path.read_text(encoding="utf-8"), path.name)}
    except UnicodeDecodeError:
        raise CheckError.one("is no UTF-8 text", STRANGE, file=path.name) from None
    except ManifestError as error:
        raise CheckError(replace(problem, hint=STRANGE) for problem in error.problems) from None


def _document(files: Mapping[str, Path], name: str) -> Mapping[str, Any]:
    try:
        document = json.loads(files[name].read_bytes())
    except KeyError:
        raise CheckError.one("is missing; every published folder has one", STRANGE, file=name) from None
    except (ValueError, RecursionError) as error:
        raise CheckError.one(f"is no JSON document: {error}", STRANGE, file=name) from None
    if not isinstance(document, dict):
        raise CheckError.one("is no JSON object; expected one", STRANGE, file=name)
    return document


def _record_problems(record: Mapping[str, Any]) -> Iterator[Problem]:
    """Yield what is wrong with a record's form."""
    from jsonschema import Draft202012Validator  # here, since it takes long to import

    for error in Draft202012Validator(schema("record")).iter_errors(record):
        yield Problem(Place("record.json", key=error.json_path.removeprefix("$.")), error.message[:200], STRANGE)


def _disagreements(files: Mapping[str, Path], sums: Mapping[str, str], record: Mapping[str, Any]) -> Iterator[Problem]:
    """Yield where list, record, plan and statement do not speak of the same image."""
    image = record["image"]
    said = {
        SUMS: sums.get(image["file"]),
        "provenance.json": _subject(_document(files, "provenance.json"), image["file"]),
    }
    for name, sha256 in said.items():
        if sha256 != image["sha256"]:
            what = (
                f"found the SHA-256 {sha256} for {image['file']}, expected {image['sha256']}, which the record states"
            )
            yield Problem(Place(name), what, STRANGE)
    if sums.get("plan.json") != record["plan"]["sha256"]:
        yield Problem(Place("plan.json"), "is not the plan that the record names", STRANGE)


def _subject(statement: Mapping[str, Any], name: str) -> str | None:
    """Return the SHA-256 a statement gives for a name."""
    try:
        return next(str(one["digest"]["sha256"]) for one in statement["subject"] if one["name"] == name)
    except (KeyError, TypeError, StopIteration):
        return None


def _lacking(project: Project, found: Found, wanted: int, places: int) -> Iterator[Problem]:
    """Yield one line for all, and one for each content that was not found."""
    what = (
        f"{len(found.missing):,} of {counted(wanted, 'content')} are in none of the {counted(places, 'place')} searched"
    )
    yield Problem(Place(RECIPE), what, "name folders or archives with your own dumps: doit receive FOLDER PLACE ...")
    for item, near in found.missing:
        what = f"{show_size(item.content.size or 0)}, SHA-256 {item.content.sha256}"
        hint = f"nearest is {project.shown(Path(near.location.path))}: {near.why}" if near else ""
        yield Problem(Place(RECIPE, key=item.name), what, hint)


def _bring(project: Project, recipe: Mapping[str, Any], places: Sequence[Path]) -> None:
    """Search for what the recipe leaves out, and put folders together that manifests name by path."""
    contents = {one["sha256"]: Content(sha256=one["sha256"], size=one["size"]) for one in recipe["bring"]}
    wanted = [
        Wanted(
            content=contents[one["sha256"]],
            name=f"{one['role']} of {one['owner']}",
            place=Place(RECIPE),
            file_names=(one["role"].rpartition("/")[2].removeprefix("chip "),),
        )
        for one in recipe["bring"]
    ]
    project.index.scan(places, ArchiveLimits())
    found = project.index.find(wanted)
    if found.missing:
        raise CheckError(_lacking(project, found, len(wanted), len(places)))
    for tree in recipe["left-out"]:
        for file in tree["files"]:
            content = contents[file["sha256"]]
            target = project.inputs.joinpath(tree["path"], *filter(None, file["name"].split("/")))
            target.parent.mkdir(parents=True, exist_ok=True)
            with open_content(found.locations[content.sha256], content) as source, target.open("wb") as copy:
                shutil.copyfileobj(source, copy)
