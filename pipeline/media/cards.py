"""Which cards are in the readers of this machine, and what is on each."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial

from pipeline.build.inputs import Inputs
from pipeline.device.disk import Disk
from pipeline.device.folder import PART, belongs
from pipeline.device.guards import REMOVABLE, rounded
from pipeline.device.identify import identify
from pipeline.device.ranges import Read
from pipeline.errors import MachineError
from pipeline.image.opened import read_at
from pipeline.inspect.known_builds import KnownBuild, known_builds
from pipeline.media.write import disks
from pipeline.model.plan import Entry, Plan
from pipeline.model.reading import Reading
from pipeline.record.document import keep_of_record
from pipeline.volume.read import NotFatError, read_volume


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedCard:
    """A disk and what is on it. ``kind``: as in ``Identity``, or "in place"; "" for a disk that cannot be read.

    "in place": only tables and the user's files changed since. ``why``: what kept it from being read.
    """

    disk: Disk
    kind: str = ""
    build: KnownBuild | None = None
    why: str = ""


def listed_cards(inputs: Inputs, paths: Sequence[str]) -> tuple[ListedCard, ...]:
    """Return the removable disks there are, or those named, whatever they are; nothing is written."""
    every = {disk.path: disk for disk in disks()}
    wanted = [os.path.realpath(path) for path in paths]
    for path, real in zip(paths, wanted, strict=True):
        if real not in every:
            raise MachineError.one("is not a disk of this machine", "doit cards without a name shows them", file=path)
    chosen = [every[path] for path in wanted] or [disk for disk in every.values() if disk.buses & REMOVABLE]
    known = known_builds(inputs.workspace)
    return tuple(_listed(disk, known, inputs) for disk in chosen)


def _listed(disk: Disk, known: Sequence[KnownBuild], inputs: Inputs) -> ListedCard:
    try:
        descriptor = os.open(disk.path, os.O_RDONLY)
        try:
            return _identified(disk, partial(read_at, descriptor), known, inputs)
        finally:
            os.close(descriptor)
    except OSError as error:
        return ListedCard(disk=disk, why=f"cannot be read: {error.strerror}")


def _identified(disk: Disk, read: Read, known: Sequence[KnownBuild], inputs: Inputs) -> ListedCard:
    identity = identify(((build.plan, build) for build in known), read)
    if not identity.builds:
        return ListedCard(disk=disk, kind=identity.kind)
    kind, builds = identity.kind, identity.builds
    if kind == "touched":
        with suppress(NotFatError):
            reading = read_volume(read, disk.size)
            fitting = [
                one
                for one in builds
                if _lies_as_planned(one.plan, reading, (*keep_of_record(one.record), *inputs.keep_of(one.card)))
            ]
            kind, builds = ("in place", tuple(fitting)) if fitting else (kind, builds)
    return ListedCard(disk=disk, kind=kind, build=builds[0] if kind == "touched" else _of_its_files(builds, read))


def _of_its_files(builds: Sequence[KnownBuild], read: Read) -> KnownBuild:
    """Return the first of some builds with equal tables whose files the card has; only files that differ are read."""
    entries = [{(entry.path, entry.sha256): entry for entry in build.plan.entries} for build in builds]
    common = set.intersection(*(set(files) for files in entries))

    def has_files(build: KnownBuild) -> bool:
        own = (entry for entry in build.plan.entries if (entry.path, entry.sha256) not in common and entry.clusters)
        return all(_sha256(build.plan, entry, read) == entry.sha256 for entry in own if not entry.is_folder)

    return next((build for build in builds if has_files(build)), builds[0])


def _sha256(plan: Plan, entry: Entry, read: Read) -> str:
    digest, start = hashlib.sha256(), plan.volume.cluster_offset(entry.cluster)
    for at in range(0, entry.size, PART):
        digest.update(read(start + at, min(PART, entry.size - at)))
    return digest.hexdigest()


def _lies_as_planned(plan: Plan, reading: Reading, keep: Sequence[str]) -> bool:
    """Whether every file and folder that is not the user's lies where it was written, a file with the size it had."""
    items = {item.path: (item.is_folder, item.size, item.extents) for item in reading.items}
    for entry in plan.entries:
        if belongs(f"{entry.path}/" if entry.is_folder else entry.path, keep):
            continue
        kind, size, extents = items.get(entry.path, (not entry.is_folder, 0, ()))
        start = ((entry.cluster, entry.clusters),) if entry.clusters else ()
        if entry.is_folder:  # a folder may have grown
            start, extents = start[:1], tuple((first, entry.clusters) for first, _ in extents[:1])
        if (kind, size, extents) != (entry.is_folder, 0 if entry.is_folder else entry.size, start):
            return False
    return True


def card_line(card: ListedCard) -> str:
    """Return a disk and what is on it in a line."""
    disk = card.disk
    named = ", ".join(
        part for part in (disk.model, rounded(disk.size), disk.serial and f"serial {disk.serial}") if part
    )
    return f"{disk.path}: {named}: {_on_it(card)}"


def _on_it(card: ListedCard) -> str:
    build = card.build
    if build is not None:
        how = {
            "built": "as built now",
            "published": "as published",
            "received": "as received",
            "earlier": "as built earlier",
        }[build.origin]
        return {
            "known": f"{build.card}, version {build.version}, {how}",
            "in place": f"{build.card}, version {build.version}, {how}; used since, every file in its place",
            "touched": f"{build.card}, changed since or of a build not known here; doit verify says what differs",
            "half-written": f"{build.card}, half written: the card is not valid until a write completes",
        }[card.kind]
    label = f' labelled "{card.disk.label}"' if card.disk.label else ""
    return {
        "": card.why,
        "foreign": f"a FAT volume{label} that was not made here; doit look shows it",
        "no FAT volume": "no FAT volume",
        "empty": "empty",
    }[card.kind]
