"""Receiving a published folder: everything in it is checked before anything of it is used."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pipeline.card.plan_text import plan_from_lines
from pipeline.distribute.recipe import RECIPE
from pipeline.errors import CheckError, MachineError, ManifestError, Place, Problem
from pipeline.image.read_back import read_back
from pipeline.image.unplanned import check_unplanned
from pipeline.image.written import Written
from pipeline.manifest.checks.sums import parse_sums
from pipeline.manifest.schema.formats import UnfitError, check_path
from pipeline.manifest.schema.validate import schema
from pipeline.model.plan import Plan
from pipeline.publish.folder import SIGNATURE, STRANGE, SUMS, check_sums, files_of
from pipeline.publish.pack import SUFFIXES, unpack
from pipeline.publish.signature import check_form, fingerprint, signer
from pipeline.workspace.progress import progress
from pipeline.workspace.stamp import replacing
from pipeline.workspace.workspace import Workspace

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
    problems = list(_form_problems("record", record)) or list(_disagreements(files, sums, record))
    if problems:
        raise CheckError(problems)
    recipe = _document(files, RECIPE) if RECIPE in files else None
    problems = [*_form_problems("recipe", recipe)] if recipe is not None else []
    if problems:
        raise CheckError(problems)
    return Received(record=record, recipe=recipe, signed=signed, folder=folder)


def take_image(workspace: Workspace, received: Received) -> Path:
    """Unpack a checked image into the build folder, read it back, and return where it lies."""
    image = received.record["image"]
    if image["size"] > LARGEST:
        what = f"states an image of {image['size']:,} bytes; {LARGEST:,} is the limit"
        raise CheckError.one(what, STRANGE, file="record.json")
    packed = [received.folder / (image["file"] + suffix) for suffix in SUFFIXES.values()]
    there = [path for path in packed if path.is_file()]
    if len(there) != 1:
        names = ", ".join(path.name for path in packed)
        raise CheckError.one(f"found {len(there)} packed images, expected one of {names}", STRANGE)
    target = folder_of(workspace, received) / str(image["file"])
    try:
        _take(received, there[0], target)
    except OSError as error:
        what = f"cannot be made: {error.strerror or error}"
        raise MachineError.one(what, "nothing was left behind", file=workspace.shown(target)) from error
    return target


def _take(received: Received, packed: Path, target: Path) -> None:
    """Unpack beside the target, read back, and put in its place."""
    record, image = received.record, received.record["image"]
    with replacing(target) as temporary:
        with progress(f"unpack {packed.name}", image["size"]) as advance:
            sha256 = unpack(packed, temporary, image["size"], advance)
        if sha256 != image["sha256"]:
            what = f"unpacks to the SHA-256 {sha256}; expected {image['sha256']}"
            raise CheckError.one(what, STRANGE, file=packed.name)
        plan = _plan(received.folder / "plan.json")
        written = Written(image_sha256=sha256, image_size=image["size"], bytes_written=0)
        try:
            with progress("read back", record["proven"]["file-bytes"]) as advance:
                read_back(plan, temporary, written, advance)
            check_unplanned(plan, temporary)
        except (ArithmeticError, LookupError, ValueError, MemoryError) as error:  # the reader trusts a plan's numbers
            raise CheckError.one("has numbers that no card has", STRANGE, file="plan.json") from error


def folder_of(workspace: Workspace, received: Received) -> Path:
    """Return where a received card is unpacked or built."""
    card = received.record["card"]
    return workspace.build / "received" / f"{card['id']}-{card['version']}"


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


def _form_problems(kind: str, document: Mapping[str, Any]) -> Iterator[Problem]:
    """Yield what is wrong with the form of a document that its schema describes."""
    from jsonschema import Draft202012Validator  # here, since it takes long to import

    for error in Draft202012Validator(schema(kind)).iter_errors(document):
        place = Place(f"{kind}.json", key=error.json_path.removeprefix("$.").removeprefix("$"))
        yield Problem(place, error.message[:200], STRANGE)


def stays(text: str) -> bool:
    """Whether a path that a received document gives stays where it belongs."""
    try:
        check_path(text)
    except UnfitError:
        return False
    return True


def _plan(path: Path) -> Plan:
    try:
        with path.open(encoding="utf-8") as lines:
            return plan_from_lines(lines)
    except ValueError as error:
        raise CheckError.one(f"is no plan: {error}", STRANGE, file=path.name) from None


def _disagreements(files: Mapping[str, Path], sums: Mapping[str, str], record: Mapping[str, Any]) -> Iterator[Problem]:
    """Yield where list, record, plan and statement do not speak of the same image."""
    image, card = record["image"], record["card"]
    name = f"{card['id']}-{card['version']}"
    if "/" in name or not stays(name):
        what = f"found id and version {name!r}, expected ones that can name a folder"
        yield Problem(Place("record.json", key="card"), what, STRANGE)
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
