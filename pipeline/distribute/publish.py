"""Publishing a card: the folder that is handed over."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.build.build import Build
from pipeline.distribute.changelog import CHANGES, write_index
from pipeline.distribute.gate import passed
from pipeline.errors import CardkilnError, CheckError, MachineError
from pipeline.file_digest import sha256_of_file
from pipeline.model.manifest import Card
from pipeline.publish.folder import SUMS, files_of
from pipeline.publish.materials import materials
from pipeline.publish.pack import pack
from pipeline.publish.readme import packed_name, readme
from pipeline.publish.signature import ALLOWED, sign
from pipeline.publish.statement import statement
from pipeline.record.document import sums_text
from pipeline.sheet.cautions import WRITING, cautions
from pipeline.workspace.atomic_write import sync_folder
from pipeline.workspace.progress import progress
from pipeline.workspace.workspace import Workspace


@dataclass(frozen=True, slots=True, kw_only=True)
class Signing:
    """The key that signs, who that is, and the line by which others can check it."""

    key: Path
    who: str
    allowed: str


def publish(
    build: Build, card_id: str, form: str, signing: Signing | None, against: Iterable[CardkilnError] = ()
) -> Path:
    """Make ``dist/CARD-VERSION`` in one step and return it; raises CardkilnError with all that stands against it.

    ``form``: how the image is packed, one of ``publish.pack.SUFFIXES``. ``against``: errors found before.
    """
    workspace, card = build.workspace, build.inputs.manifest.cards[card_id]
    target = dist_folder(workspace, card, "")
    with passed(build, card_id, target, against, contents=True) as card_passed:
        record, finished = card_passed.record, card_passed.finished
        packed, name = packed_name(record["image"]["file"], form), workspace.shown(card_passed.image)
        with making(target) as folder:
            with progress(f"pack {card_id}", record["image"]["size"]) as advance:
                raw = pack(card_passed.image, folder / packed, form, advance)
            if raw != record["image"]["sha256"]:
                what = f"found the SHA-256 {raw}, expected {record['image']['sha256']}, which its record states"
                raise CheckError.one(what, "delete it, and build the card again", file=name)
            card_passed.check_image()
            card_passed.write_documents(folder)
            write(folder / CHANGES, card_passed.changes)
            warned = [*cautions(finished), WRITING]
            text = readme(record, packed, form, signing.who if signing else "", warned, finished.board.cautions)
            finish(folder, record, text, {record["image"]["file"]: raw}, signing)
        write_index(workspace)
    return target


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


def finish(
    folder: Path, record: Mapping[str, Any], text: str, sums: Mapping[str, str], signing: Signing | None
) -> None:
    """Add what every published folder has: the page, statement, bill, checksum list, and the signature last."""
    write(folder / "README.txt", text)
    write(folder / "provenance.json", as_json(statement(record, sha256_of_file(folder / "record.json"))))
    write(folder / "materials.cdx.json", as_json(materials(record)))
    if signing:
        write(folder / ALLOWED, signing.allowed)
    write(folder / SUMS, sums_text({**{name: sha256_of_file(path) for name, path in files_of(folder).items()}, **sums}))
    if signing:
        sign(folder / SUMS, signing.key)


def as_json(document: Mapping[str, Any]) -> str:
    """Return JSON for people and programs: indented, keys sorted, one text for one value."""
    return json.dumps(document, indent=1, sort_keys=True, ensure_ascii=False) + "\n"


def write(path: Path, text: str) -> None:
    """Write a text file with LF line ends on every system."""
    path.write_text(text, encoding="utf-8", newline="\n")
