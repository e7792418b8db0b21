"""What a person can name to compare or verify: a card's build, a record, an image, a disk, a folder."""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.errors import MachineError
from pipeline.image.opened import open_image, read_at
from pipeline.model.plan import Plan
from pipeline.model.reading import Item, Reading
from pipeline.record.snapshot import CardSnapshot, File, side_of_files, side_of_reading, side_of_record
from pipeline.volume.read import NotFatError, read_volume
from pipeline.workspace.files import read_plan, read_record
from pipeline.workspace.versions import version_named
from pipeline.workspace.workspace import Workspace, how_to_build

PART = 1 << 20
Parts = Callable[[str], Iterator[bytes]]
"""Gives the bytes of a file by its path, in parts."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenTarget:
    """What was named and opened. ``shown``: as people know it. ``parts``: None where files have no bytes at hand.

    ``image``: an open file of the whole card, and ``reading``: what lies on it; None for a record and a folder.
    """

    shown: str
    side: CardSnapshot
    parts: Parts | None = None
    image: int | None = None
    size: int = 0
    reading: Reading | None = None


@contextmanager
def opened_target(workspace: Workspace, word: str) -> Iterator[OpenTarget]:
    """Give what a word names: the id of a built card, a published or received version ("desk@1"), or a path.

    The path is that of a record, an image, a disk or a folder. Raises MachineError where there is no such thing or it
    cannot be read, ManifestError with the versions there are.
    """
    path = Path(word)
    version = version_named(workspace, word) if not path.exists() else None
    built = workspace.card_folder(word) / "record.json" if "/" not in word else None
    with ExitStack() as stack:
        if built is not None and built.is_file():
            yield _of_record(workspace, read_record(built), built, stack)
        elif version is not None:
            yield _of_record(workspace, version.record, version.folder / "record.json", stack)
        elif path.is_dir():
            yield of_folder(path)
        elif not path.exists():
            known = built is not None and word in workspace.names("cards")
            hint = how_to_build(word) if known else "name a built card, a record, an image, a disk or a folder"
            what = "is not built" if known else "there is no such card or file"
            raise MachineError.one(what, hint, file=word)
        elif is_record(path):
            yield _of_record(workspace, read_record(path), path, stack)
        else:
            yield of_image(path, stack)


def is_record(path: Path) -> bool:
    """Whether a file is a record, told from its first bytes."""
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return b'"cardkiln-record"' in file.read(64)


def plan_beside(record: Path) -> Plan | None:
    """Return the plan that lies beside a record, None where there is none."""
    try:
        return read_plan(record.parent / "plan.json")
    except (FileNotFoundError, ValueError):
        return None


def digest(parts: Iterable[bytes]) -> str:
    """Return the SHA-256 of bytes that come in parts."""
    found = hashlib.sha256()
    for part in parts:
        found.update(part)
    return found.hexdigest()


def file_parts(reading: Reading, descriptor: int, item: Item) -> Iterator[bytes]:
    """Yield the bytes of a file of an image, as far as its chain goes."""
    for start, length in reading.ranges(item):
        for at in range(0, length, PART):
            yield read_at(descriptor, start + at, min(PART, length - at))


def of_image(path: Path, stack: ExitStack) -> OpenTarget:
    """Return what lies on an image or disk; raises MachineError where there is no FAT volume."""
    descriptor, size = open_image(path, stack)
    try:
        reading = _reading(descriptor, size)
    except NotFatError as error:
        raise MachineError.one(str(error), error.hint, file=str(path)) from None
    items = {item.path: item for item in reading.items}
    return OpenTarget(
        shown=str(path),
        side=side_of_reading(reading, size, {}),
        parts=lambda name: file_parts(reading, descriptor, items[name]),
        image=descriptor,
        size=size,
        reading=reading,
    )


def _reading(descriptor: int, size: int) -> Reading:
    return read_volume(lambda offset, length: read_at(descriptor, offset, length), size)


def of_folder(path: Path) -> OpenTarget:
    """Return the plain files and folders of a folder, such as a mounted card; links and pipes are none of a card's."""

    def fail(error: OSError) -> None:
        raise error

    files = []
    for root, folders, names in os.walk(path, onerror=fail):
        below = Path(root).relative_to(path)
        files += [File(path=(below / name).as_posix(), is_folder=True) for name in folders]
        states = {name: (Path(root) / name).lstat() for name in names}
        files += [
            File(path=(below / name).as_posix(), size=state.st_size)
            for name, state in states.items()
            if stat.S_ISREG(state.st_mode)
        ]

    def parts(name: str) -> Iterator[bytes]:
        with path.joinpath(*name.split("/")).open("rb") as file:
            while part := file.read(PART):
                yield part

    return OpenTarget(shown=str(path), side=side_of_files(files), parts=parts)


def _of_record(workspace: Workspace, record: Mapping[str, Any], path: Path, stack: ExitStack) -> OpenTarget:
    """Return what a record says; the bytes of its files come from what was built with it, if that is still there."""
    side = side_of_record(record)
    configs = workspace.config_folder(record["card"]["id"])

    def parts(name: str) -> Iterator[bytes]:
        file = side.files[name]
        place = configs.joinpath(*name.split("/"))
        if place.is_file() and place.stat().st_size == file.size:
            data = place.read_bytes()
            if hashlib.sha256(data).hexdigest() == file.sha256:
                return iter((data,))
        image, plan = path.parent / record["image"]["file"], plan_beside(path)
        if plan is None or not image.is_file() or not file.extents:
            return iter(())
        descriptor, _ = open_image(image, stack)
        data = read_at(descriptor, plan.volume.cluster_offset(file.extents[0][0]), file.size)
        return iter((data,)) if hashlib.sha256(data).hexdigest() == file.sha256 else iter(())

    return OpenTarget(shown=workspace.shown(path.absolute()), side=side, parts=parts)
