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
from pipeline.distribute.changelog import CHANGES, changes_text_since, write_index
from pipeline.distribute.delta import pack_contents
from pipeline.distribute.gate import CheckedCard, checked_card
from pipeline.errors import CardkilnError, CheckError, MachineError
from pipeline.file_digest import sha256_of_file
from pipeline.model.manifest import Card
from pipeline.publish.delta import DELTA, delta_document
from pipeline.publish.documents import DOCUMENTS, pack_documents
from pipeline.publish.folder import SUMS, files_of
from pipeline.publish.materials import materials
from pipeline.publish.pack import pack
from pipeline.publish.readme import delta_readme, packed_name, readme
from pipeline.publish.signature import ALLOWED, sign
from pipeline.publish.statement import statement
from pipeline.record.document import sums_text
from pipeline.sheet.cautions import WRITING, cautions
from pipeline.workspace.atomic_write import sync_folder
from pipeline.workspace.progress import progress
from pipeline.workspace.versions import CardVersion, dist_folder
from pipeline.workspace.workspace import Workspace


@dataclass(frozen=True, slots=True, kw_only=True)
class Signing:
    """The key that signs, who that is, and the line by which others can check it."""

    key: Path
    who: str
    allowed: str


def publish(
    build: Build,
    card_id: str,
    form: str,
    signing: Signing | None,
    earlier: Iterable[CardkilnError] = (),
    older: CardVersion | None = None,
) -> tuple[CardVersion, ...]:
    """Publish a card, and return what was made, a delta last; raises CardkilnError with every error.

    ``dist/CARD-VERSION`` holds the whole image. With an ``older`` version ``dist/CARD-VERSION-since-OLDER`` is made
    for people who have that, and the whole image only where it is not published yet. Each folder is made in one step.
    ``form``: how the image is packed, one of ``publish.pack.SUFFIXES``. ``earlier``: errors found before.
    """
    workspace, card = build.workspace, build.inputs.manifest.cards[card_id]
    whole = folder_in_dist(workspace, card, "")
    target = folder_in_dist(workspace, card, f"-since-{older.version}") if older else whole
    made = []
    with checked_card(build, card_id, target, earlier, contents=True) as checked:
        if not older or not whole.exists():
            with making(whole) as folder:
                _fill_image(folder, checked, form, signing)
            made.append(CardVersion(folder=whole, kind="image", record=checked.record))
        if older:
            with making(target) as folder:
                _fill_delta(folder, checked, older, signing)
            record = checked.record
            made.append(CardVersion(folder=target, kind="delta", record=record, since=older.version))
        write_index(workspace)
    return tuple(made)


def _fill_image(folder: Path, checked: CheckedCard, form: str, signing: Signing | None) -> None:
    """Put everything into the folder of a whole image."""
    record, finished = checked.record, checked.finished
    workspace, image = checked.build.workspace, record["image"]
    packed = packed_name(image["file"], form)
    with progress(f"pack {finished.card.id}", image["size"]) as advance:
        raw = pack(checked.image, folder / packed, form, advance)
    if raw != image["sha256"]:
        what = f"found the SHA-256 {raw}, expected {image['sha256']}, which its record states"
        hint = "delete it, and build the card again"
        raise CheckError.one(what, hint, file=workspace.shown(checked.image))
    checked.check_image()
    checked.write_documents(folder)
    write(folder / CHANGES, checked.changes)
    warned = [*cautions(finished), WRITING]
    text = readme(record, packed, form, signing.who if signing else "", warned, finished.board.cautions)
    finish(folder, record, text, {image["file"]: raw}, signing)


def _fill_delta(folder: Path, checked: CheckedCard, older: CardVersion, signing: Signing | None) -> None:
    """Put everything into the folder of a delta."""
    record, finished = checked.record, checked.finished
    contents = pack_contents(folder, checked, older)
    checked.check_image()
    write(folder / DELTA, as_json(delta_document(record, older.record, contents)))
    checked.write_documents(folder)
    write(folder / CHANGES, changes_text_since(older.record, record))
    warned = [*cautions(finished), WRITING]
    who = signing.who if signing else ""
    text = delta_readme(record, older.record, contents, who, warned, finished.board.cautions)
    finish(folder, record, text, {record["image"]["file"]: record["image"]["sha256"]}, signing, packed=DOCUMENTS)


def folder_in_dist(workspace: Workspace, card: Card, kind: str) -> Path:
    """Return the folder a card's present version is published in; ``kind``: "", "-recipe" or "-since-VERSION"."""
    return dist_folder(workspace) / f"{card.id}-{card.version}{kind}"


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
    folder: Path,
    record: Mapping[str, Any],
    text: str,
    sums: Mapping[str, str],
    signing: Signing | None,
    packed: tuple[str, ...] = (),
) -> None:
    """Add what every published folder has: the page, statement, bill, checksum list, and the signature last.

    ``sums``: SHA-256 of files that come out of others. ``packed``: names of documents that are packed together.
    """
    write(folder / "README.txt", text)
    write(folder / "provenance.json", as_json(statement(record, sha256_of_file(folder / "record.json"))))
    write(folder / "materials.cdx.json", as_json(materials(record)))
    if packed:
        sums = {**sums, **{name: sha256_of_file(folder / name) for name in packed}}
        pack_documents(folder, packed)
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
