"""A received version with the files that are the user's put onto it: laid out anew, written and read back."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any, BinaryIO, cast

from pipeline.card.layout import lay_out
from pipeline.card.plan_text import plan_to_text
from pipeline.device.folder import belongs, is_litter
from pipeline.errors import CheckError, ManifestError, Place
from pipeline.fat.names import fold
from pipeline.file_digest import sha256_of_file
from pipeline.image.opened import ReadStream
from pipeline.image.read_back import read_back
from pipeline.image.unplanned import check_unplanned
from pipeline.image.write import naming_changed_sources, write_image
from pipeline.model.canonical import dump
from pipeline.model.content import CardFile, CardFolder, Content, Origin
from pipeline.model.plan import Entry, Plan, Proof
from pipeline.record.document import placed, volume_document
from pipeline.workspace.atomic_write import replacing, write_if_changed
from pipeline.workspace.progress import progress
from pipeline.workspace.versions import WITH_KEPT

Kept = Mapping[str, Path]
"""Files of the user by their paths on the card."""


def kept_files(folder: Path, patterns: tuple[str, ...]) -> dict[str, Path]:
    """Return the plain files of a folder that are the user's on a card with such ``keep`` patterns, sorted by path."""
    if not patterns or not folder.is_dir():
        return {}
    paths = {path.relative_to(folder).as_posix(): path for path in folder.rglob("*") if path.is_file()}
    return {
        name: path
        for name, path in sorted(paths.items())
        if belongs(name, patterns) and not is_litter(name) and not path.is_symlink()
    }


def write_with_kept(
    plan: Plan, record: Mapping[str, Any], read: Callable[[int, int], bytes], kept: Kept, folder: Path
) -> Path:
    """Make image, plan and record of a version with the user's files on it, and return the folder they are in.

    ``plan``, ``record``, ``read``: of the version, whose image was checked. ``folder``: where it was received. What is
    there already is left when it is of the same files. Raises CheckError when the files do not fit.
    """
    contents = {name: Content(sha256=sha256_of_file(path), size=path.stat().st_size) for name, path in kept.items()}
    laid_out = _laid_out(plan, record, contents, folder)
    home, text = folder / WITH_KEPT, plan_to_text(laid_out).encode()
    if _is_made(home, text):
        return home
    (home / "record.json").unlink(missing_ok=True)
    sources = {content.sha256: kept[name] for name, content in contents.items()}
    offsets = {entry.sha256: plan.volume.cluster_offset(entry.cluster) for entry in plan.entries if entry.size}

    def opener(entry: Entry) -> AbstractContextManager[BinaryIO]:
        if entry.sha256 in offsets:
            return cast("BinaryIO", ReadStream(read, entry.size, offsets[entry.sha256]))
        return cast("BinaryIO", sources[entry.sha256].open("rb") if entry.size else io.BytesIO())

    with replacing(home / "card.img") as temporary:
        with progress(f"write {plan.card}", record["image"]["size"]) as advance:
            written = write_image(laid_out, opener, temporary, advance)
        with naming_changed_sources(laid_out, opener):
            proof = read_back(laid_out, temporary, written)
        check_unplanned(laid_out, temporary)
    write_if_changed(home / "plan.json", text)
    made = _record(record, laid_out, proof, hashlib.sha256(text).hexdigest(), contents)
    write_if_changed(home / "record.json", "".join(dump(made)).encode())
    return home


def _is_made(home: Path, plan: bytes) -> bool:
    """Whether image, plan and record are there; that they belong together is checked where they are used."""
    try:
        return (home / "plan.json").read_bytes() == plan and (home / "record.json").is_file()
    except FileNotFoundError:
        return False


def _laid_out(plan: Plan, record: Mapping[str, Any], contents: Mapping[str, Content], folder: Path) -> Plan:
    """Return the plan of the version with the user's files, which take the place of those with the same name."""
    place = Place(str(folder))
    theirs = {fold(name) for name in contents}
    placements = {file["path"]: file["placement"] for file in record["files"]}
    origin = Origin(kind="card-file", owner=plan.card)
    files = [
        CardFile(
            path=entry.path,
            content=Content(sha256=entry.sha256, size=entry.size),
            placement=placements[entry.path],
            origin=origin,
            place=place,
        )
        for entry in plan.entries
        if not entry.is_folder and fold(entry.path) not in theirs
    ]
    files += [
        CardFile(path=name, content=content, placement="anywhere", origin=origin, place=place)
        for name, content in contents.items()
    ]
    try:
        return lay_out(
            plan.card,
            files,
            plan.volume,
            label=plan.label,
            label_entry=plan.label_entry,
            serial=plan.serial,
            timestamp=plan.timestamp,
            where=place,
            folders=[CardFolder(path=entry.path, place=place) for entry in plan.entries if entry.is_folder],
        )
    except ManifestError as error:
        what = f"the files of yours do not fit onto it: {error.problems[0].what}"
        raise CheckError.one(what, "doit write --no-keep gives them up", file=str(folder)) from error


def _record(
    record: Mapping[str, Any], plan: Plan, proof: Proof, plan_sha256: str, contents: Mapping[str, Content]
) -> dict[str, Any]:
    """Return the record of the version with the user's files on it."""
    before = {file["path"]: file for file in record["files"]}
    own = {"placement": "anywhere", "made-from": {"kind": "card-file", "owner": plan.card, "contents": [], "steps": []}}
    card = {key: value for key, value in record["card"].items() if key != "without-kept"}
    files = [
        {**(own if entry.path in contents else before[entry.path]), **placed(entry)}
        | {"size": entry.size, "sha256": entry.sha256}
        for entry in plan.entries
        if not entry.is_folder
    ]
    return {
        **record,
        "card": card,
        "image": {**record["image"], "sha256": proof.image_sha256},
        "plan": {**record["plan"], "sha256": plan_sha256},
        "proven": {"files": proof.files, "folders": proof.folders, "file-bytes": proof.file_bytes},
        "volume": volume_document(plan, record["volume"]["timestamp-from"]),
        "folders": [placed(entry) for entry in plan.entries if entry.is_folder],
        "files": files,
    }
