"""Which cards are in the readers of this machine, and what is on each."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from pipeline.device.disk import Disk
from pipeline.device.guards import REMOVABLE, rounded
from pipeline.device.identify import Identity, KnownCard, identify
from pipeline.errors import MachineError
from pipeline.media.write import disks
from pipeline.workspace.files import read_plan
from pipeline.workspace.workspace import Workspace


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """A disk and what is on it; ``why``: what kept it from being read, "" when it was."""

    disk: Disk
    identity: Identity | None
    why: str = ""


def look(workspace: Workspace, paths: Sequence[str]) -> tuple[Card, ...]:
    """Return the removable disks there are, or those named, whatever they are; nothing is written."""
    every = {disk.path: disk for disk in disks()}
    wanted = [os.path.realpath(path) for path in paths]
    for path, real in zip(paths, wanted, strict=True):
        if real not in every:
            raise MachineError.one("is no disk of this machine", "doit cards without a name shows them", file=path)
    chosen = [every[path] for path in wanted] or [disk for disk in every.values() if disk.buses & REMOVABLE]
    known = tuple(_known(workspace))
    return tuple(_look(disk, known) for disk in chosen)


def _look(disk: Disk, known: tuple[KnownCard, ...]) -> Card:
    try:
        with Path(disk.path).open("rb", buffering=0) as file:
            return Card(disk=disk, identity=identify(known, partial(_read, file.fileno())))
    except OSError as error:
        return Card(disk=disk, identity=None, why=f"cannot be read: {error.strerror}")


def _read(descriptor: int, offset: int, length: int) -> bytes:
    os.lseek(descriptor, offset, os.SEEK_SET)
    parts = []
    while length and (part := os.read(descriptor, length)):
        parts.append(part)
        length -= len(part)
    return b"".join(parts)


def _known(workspace: Workspace) -> Iterator[KnownCard]:
    """Yield every card that is built or was published here, the built ones first."""
    for current, folder in ((True, workspace.build / "cards"), (False, workspace.base / "dist")):
        for plan in sorted(folder.glob("*/plan.json")):
            try:
                record = json.loads((plan.parent / "record.json").read_bytes())
                value = read_plan(plan)
                known = KnownCard(
                    card=record["card"]["id"], version=record["card"]["version"], plan=value, current=current
                )
            except (OSError, ValueError, LookupError, TypeError):
                continue  # half built or damaged: nothing to compare with
            yield known


def told(card: Card) -> str:
    """Return a disk and what is on it in a line."""
    disk = card.disk
    named = ", ".join(
        part for part in (disk.model, rounded(disk.size), disk.serial and f"serial {disk.serial}") if part
    )
    return f"{disk.path}: {named}: {_on_it(card)}"


def _on_it(card: Card) -> str:
    one = card.identity
    if one is None:
        return card.why
    label = f' labelled "{card.disk.label}"' if card.disk.label else ""
    return {
        "current": f"{one.card}, version {one.version}, as built now",
        "older": f"{one.card}, version {one.version}, as published",
        "touched": f"{one.card}, touched since or of another build; doit verify says what differs",
        "foreign": f"a FAT volume{label} that was not made here; doit look shows it",
        "no FAT volume": "no FAT volume",
        "empty": "empty",
    }[one.kind]
