"""Publishing a card: the gate, and the folder that is handed over."""

from __future__ import annotations

import json
import os
import re
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.build import sheet
from pipeline.build.build import Build
from pipeline.build.flow import how_to_build, problem_of
from pipeline.distribute.changelog import CHANGES, changes_since_last, write_index
from pipeline.errors import CheckError, MachineError, ManifestError, Place, Problem
from pipeline.image.read_back import read_back
from pipeline.image.unplanned import check_unplanned
from pipeline.image.written import Written
from pipeline.model.manifest import Card, Manifest
from pipeline.model.rules import RIGHTS_ARE_STATED
from pipeline.publish.folder import SUMS, files_of, sum_of
from pipeline.publish.materials import materials
from pipeline.publish.pack import pack
from pipeline.publish.readme import packed_name, readme
from pipeline.publish.rights import refusals
from pipeline.publish.signature import ALLOWED, sign
from pipeline.publish.statement import statement
from pipeline.record.document import sums_text
from pipeline.workspace.files import read_plan
from pipeline.workspace.progress import progress
from pipeline.workspace.stamp import NEW, sync_folder
from pipeline.workspace.workspace import Workspace

FILES = ("record.json", "plan.json", "sheet.html")
"""Taken from the build as they are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Signing:
    """The key that signs, who that is, and the line by which others can check it."""

    key: Path
    who: str
    allowed: str


def publish(build: Build, card_id: str, form: str, signing: Signing | None) -> Path:
    """Make ``dist/CARD-VERSION`` in one step and return it; raises CheckError with everything that stands against it.

    ``form``: how the image is packed, one of ``publish.pack.SUFFIXES``.
    """
    workspace, manifest = build.workspace, build.inputs.manifest
    source, card = workspace.card_folder(card_id), manifest.cards[card_id]
    target = dist_folder(workspace, card, "")
    record = gate(build, card, target)
    problems = [_refused(manifest, one) for one in refusals(record)]
    if problems:
        raise CheckError(problems)
    with making(target) as folder:
        packed = packed_name(record["image"]["file"], form)
        with progress(f"pack {card_id}", record["image"]["size"]) as advance:
            raw = pack(source / record["image"]["file"], folder / packed, form, advance)
        if raw != record["image"]["sha256"]:
            what = f"found the SHA-256 {raw}, expected {record['image']['sha256']}, which its record states"
            raise CheckError.one(what, how_to_build(card_id), file=workspace.shown(source / record["image"]["file"]))
        copy_build(source, folder)
        write(folder / CHANGES, changes_since_last(workspace, record))
        cautions = manifest.boards[card.board].cautions
        text = readme(record, packed, form, signing.who if signing else "", cautions)
        finish(folder, record, text, {record["image"]["file"]: raw}, signing)
    write_index(workspace)
    return target


def gate(build: Build, card: Card, target: Path) -> Mapping[str, Any]:
    """Return the card's record; raises with everything that stands against publishing it in any form.

    The image on disk is read back and held against its plan now, whatever was proven when it was built.
    """
    workspace = build.workspace
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._+-]*", card.version):
        what = f'found "{card.version}", expected letters, digits, ".", "_", "+" and "-", since it names a folder'
        raise ManifestError.one(what, 'for example "1.2"', file=card.file, key="version")
    problems = []
    if target.exists():
        what = f'version "{card.version}" is published already: {workspace.shown(target)}'
        problems.append(Problem(Place(card.file, key="version"), what, "give the card a new version, and build it"))
    out_of_date = problem_of(build, card.id)
    if out_of_date:
        raise CheckError([*problems, out_of_date])
    why = sheet.reason(build.card(card.id))
    if why:
        what = "its sheet was not made" if why == NEW else f"its sheet is out of date: {why}"
        problems.append(Problem(Place(card.file), what, how_to_build(card.id)))
    source = workspace.card_folder(card.id)
    record: Mapping[str, Any] = json.loads((source / "record.json").read_bytes())
    problems += _unaccepted(card, record)
    if problems:
        raise CheckError(problems)
    plan = read_plan(source / "plan.json")
    image = record["image"]
    written = Written(image_sha256=image["sha256"], image_size=image["size"], bytes_written=0)
    with progress(f"read back {card.id}", record["proven"]["file-bytes"]) as advance:
        read_back(plan, source / image["file"], written, advance)
    check_unplanned(plan, source / image["file"])
    return record


def _unaccepted(card: Card, record: Mapping[str, Any]) -> Iterator[Problem]:
    """Yield a problem for each warning of the record that the card does not accept with a reason."""
    for warning in record.get("warnings", ()):
        if warning["rule"] not in card.accepted:
            what = f"the warning {warning['rule']} is not accepted: {warning['what']}"
            hint = f'mend it, or write why it may be published: [accept] {warning["rule"]} = "..."'
            yield Problem(Place(card.file), what, hint)


def _refused(manifest: Manifest, refusal: Any) -> Problem:
    kinds: Mapping[str, Mapping[str, Any]] = {
        "board": manifest.boards,
        "core": manifest.cores,
        "title": manifest.titles,
        "card": manifest.cards,
    }
    file = kinds[refusal.kind][refusal.id].file
    return Problem(Place(file, key=refusal.key), refusal.what, refusal.hint, rule=RIGHTS_ARE_STATED.name)


def dist_folder(workspace: Workspace, card: Card, kind: str) -> Path:
    """Return the folder a card's present version is published in; ``kind`` is "" or "-recipe"."""
    return workspace.base / "dist" / f"{card.id}-{card.version}{kind}"


@contextmanager
def making(target: Path) -> Iterator[Path]:
    """Give a folder to fill that becomes ``target`` in one step; when anything fails it is gone, and the old stays."""
    target.parent.mkdir(parents=True, exist_ok=True)
    folder = target.with_name(f".{target.name}.part")
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    try:
        yield folder
        for path in files_of(folder).values():
            with path.open("rb+") as file:
                os.fsync(file.fileno())
        for inner in [path for path in folder.rglob("*") if path.is_dir()]:
            sync_folder(inner)
        sync_folder(folder)
        folder.rename(target)
        sync_folder(target.parent)
    except BaseException as error:
        shutil.rmtree(folder, ignore_errors=True)
        if isinstance(error, OSError):
            what = f"cannot be made: {error.strerror or error}"
            raise MachineError.one(what, "nothing was left behind", file=str(target)) from error
        raise


def copy_build(source: Path, folder: Path) -> None:
    """Copy what was built beside the image."""
    for name in FILES:
        shutil.copyfile(source / name, folder / name)


def finish(
    folder: Path, record: Mapping[str, Any], text: str, sums: Mapping[str, str], signing: Signing | None
) -> None:
    """Add what every published folder has: the page, statement, bill, checksum list, and the signature last."""
    write(folder / "README.txt", text)
    write(folder / "provenance.json", as_json(statement(record, sum_of(folder / "record.json"))))
    write(folder / "materials.cdx.json", as_json(materials(record)))
    if signing:
        write(folder / ALLOWED, signing.allowed)
    write(folder / SUMS, sums_text({**{name: sum_of(path) for name, path in files_of(folder).items()}, **sums}))
    if signing:
        sign(folder / SUMS, signing.key)


def as_json(document: Mapping[str, Any]) -> str:
    """Return JSON for people and programs: indented, keys sorted, one text for one value."""
    return json.dumps(document, indent=1, sort_keys=True, ensure_ascii=False) + "\n"


def write(path: Path, text: str) -> None:
    """Write a text file with LF line ends on every system."""
    path.write_text(text, encoding="utf-8", newline="\n")
