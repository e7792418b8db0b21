"""The versions of cards that are here: those published, told from ``dist/`` alone, and those received."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.errors import CheckError, MachineError, ManifestError
from pipeline.model.text import listed
from pipeline.publish.delta import DELTA
from pipeline.publish.documents import PACKED, read_document
from pipeline.workspace.files import read_record, record_from
from pipeline.workspace.workspace import Workspace

WITH_KEPT = "with-kept"
"""The folder, in that of a received version, with the image that has files of the user on it."""

LARGEST_RECORD = 64 << 20
"""Bytes; the record of a card with 100,000 files is smaller."""
LARGEST_PLAN = 256 << 20
"""Bytes; one line is an entry of about 200."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CardVersion:
    """A folder that holds one version of a card.

    ``kind``: "image" (the whole card), "recipe", "delta", "received", or "kept" (received, with files of the user on
    it). ``since``: the version a delta is against.
    """

    folder: Path
    kind: str
    record: Mapping[str, Any]
    since: str = ""

    @property
    def card(self) -> str:
        """The card's id."""
        return str(self.record["card"]["id"])

    @property
    def version(self) -> str:
        """The card's version."""
        return str(self.record["card"]["version"])

    @property
    def sha256(self) -> str:
        """The SHA-256 of its image."""
        return str(self.record["image"]["sha256"])

    def plan_text(self) -> bytes:
        """Return the text of its plan; raises CheckError and OSError."""
        if self.kind == "delta":
            return read_document(self.folder / PACKED, "plan.json", LARGEST_PLAN)
        return (self.folder / "plan.json").read_bytes()


def dist_folder(workspace: Workspace) -> Path:
    """Return where cards are published."""
    return workspace.base / "dist"


def received_folder(workspace: Workspace, card: str, version: str) -> Path:
    """Return where a version of a card is received."""
    return workspace.build / "received" / f"{card}-{version}"


def published_versions(workspace: Workspace) -> tuple[CardVersion, ...]:
    """Return every published folder, in the order they were published; raises CheckError for a damaged one.

    That order is the index's own; a folder it does not know, after an interruption, comes last, by name.
    """
    dist = dist_folder(workspace)
    paths = [*dist.glob("[!.]*/record.json"), *dist.glob(f"[!.]*/{DELTA}")]
    order = {name: number for number, name in enumerate(dates_of_index(workspace))}
    found = {path.parent for path in paths if path.is_file()}  # opening a pipe would wait for a writer
    folders = sorted(found, key=lambda path: (order.get(path.name, len(order)), path.name))
    return tuple(_published(workspace, folder) for folder in folders)


def dates_of_index(workspace: Workspace) -> dict[str, str]:
    """Return the date each folder was published, as ``dist/index.json`` has it, in its order; "" where it has none."""
    try:
        document = json.loads((dist_folder(workspace) / "index.json").read_bytes())
        return {str(entry["folder"]): str(entry.get("date", "")) for entry in document["versions"]}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def _published(workspace: Workspace, folder: Path) -> CardVersion:
    is_delta = (folder / DELTA).is_file()
    document = PACKED if is_delta else "record.json"
    try:
        if is_delta:
            record = record_from(read_document(folder / PACKED, "record.json", LARGEST_RECORD), str(folder / PACKED))
            since = str(json.loads((folder / DELTA).read_bytes())["since"]["version"])
            return CardVersion(folder=folder, kind="delta", record=record, since=since)
        kind = "recipe" if (folder / "recipe.json").is_file() else "image"
        return CardVersion(folder=folder, kind=kind, record=read_record(folder / "record.json"))
    except (CheckError, MachineError, OSError, ValueError, KeyError, TypeError):
        what = "is damaged; the index of versions and the list of changes need it"
        hint = f"restore {folder.name}, or move it out of dist"
        raise CheckError.one(what, hint, file=workspace.shown(folder / document)) from None


def received_versions(workspace: Workspace) -> Iterator[CardVersion]:
    """Yield every version that was received with image, record and plan, the last by name first, whole ones only."""
    for home in sorted((workspace.build / "received").glob("[!.]*"), reverse=True):
        for path in (home / WITH_KEPT / "record.json", home / "record.json", *home.glob("build/cards/*/record.json")):
            if path.is_file() and path.with_name("card.img").is_file():
                kind = "kept" if path.parent.name == WITH_KEPT else "received"
                try:
                    yield CardVersion(folder=path.parent, kind=kind, record=read_record(path))
                except (MachineError, OSError):
                    continue


def received_named(workspace: Workspace, word: str) -> CardVersion | None:
    """Return the received version that "desk@2", or the path of its folder, names; None for the id of a card.

    Raises ManifestError and MachineError with what there is.
    """
    if "@" not in word and "/" not in word and not Path(word).is_dir():
        return None
    path = Path(word).resolve()
    for one in (one for one in received_versions(workspace) if one.kind == "received"):
        if word == f"{one.card}@{one.version}" or path in (one.folder.resolve(), (one.folder / "card.img").resolve()):
            return one
    published = version_named(workspace, word)
    if published is not None:
        folder = workspace.shown(published.folder)
        raise MachineError.one("is published here, and not unpacked", f"doit receive {folder} does it", file=word)
    what = "is not a version that was received here"
    raise MachineError.one(what, "doit receive FOLDER checks and unpacks one; then name it CARD@VERSION", file=word)


def version_named(workspace: Workspace, word: str) -> CardVersion | None:
    """Return the version that "desk@1" names, a whole image before other kinds; None for a word without "@".

    Raises ManifestError with the versions there are.
    """
    card, at, version = word.rpartition("@")
    if not at or "/" in word:
        return None
    received = (version_folder for version_folder in received_versions(workspace) if version_folder.kind == "received")
    known = [*published_versions(workspace), *received]
    of_card = [version_folder for version_folder in known if version_folder.card == card]
    found = [version_folder for version_folder in of_card if version_folder.version == version]
    if found:
        return min(
            found, key=lambda version_folder: ("image", "received", "delta", "recipe").index(version_folder.kind)
        )
    if of_card:
        versions = listed(dict.fromkeys(version_folder.version for version_folder in of_card))
        raise ManifestError.one(f'found "{version}", expected a version of {card}: {versions}', file=word)
    cards = sorted({version_folder.card for version_folder in known})
    what = f'no version of "{card}" was published or received'
    raise ManifestError.one(what, f"there are versions of {listed(cards)}" if cards else "", file=word)
