"""Writes the image a plan describes: one pass in ascending order, each byte once, the image hashed on the way.

What the bytes are is decided elsewhere: by the plan, and by ``pipeline.fat`` for everything that is not a file's.
"""

from __future__ import annotations

import errno
import hashlib
from collections.abc import Callable, Iterable, Iterator, Set
from contextlib import AbstractContextManager, contextmanager
from io import BufferedIOBase
from pathlib import Path
from typing import BinaryIO, Protocol, cast

from pipeline.errors import CheckError, MachineError, Place, Problem
from pipeline.fat.directory import directory_bytes, tree_of
from pipeline.fat.structure import system_area
from pipeline.image.stream import SparseStream, TargetError
from pipeline.image.written import Written
from pipeline.model.plan import SECTOR, Entry, Plan

__all__ = ["Opener", "Written", "write_image"]

Opener = Callable[[Entry], AbstractContextManager[BinaryIO]]
"""Gives the source of a file of the plan, open for reading from its start: a stream of ``io`` with ``readinto``."""


class Sink(Protocol):
    """Takes the bytes of an image in ascending order; see SparseStream, which writes a new file."""

    def put(self, data: bytes, /) -> None:
        """Take bytes."""

    def skip_to(self, offset: int, /) -> None:
        """Go forward to an offset; there are zeros up to it."""

    def room(self, most: int, /) -> memoryview:
        """Return a place for the next bytes, at least 1 and at most ``most``."""

    def fill(self, size: int, /) -> None:
        """Take the first ``size`` bytes of the room."""


PART = 1 << 20
"""Bytes of a source read at once."""

FULL = {errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC)}
"""No space left; larger than the file system takes; quota used up (which not every system knows)."""


def write_image(plan: Plan, opener: Opener, target: Path, progress: Callable[[int], None] = lambda _: None) -> Written:
    """Write the image to ``target`` and nothing else, and return what it is.

    ``progress`` is called with the bytes of the image that are done since the last call, holes included, from
    another thread. No source is hashed: the image is to be read back, within ``naming_changed_sources``. Memory does
    not grow with bytes. What a failed run leaves at ``target`` is of no use.

    Raises CheckError with every file whose source is not what the plan says where one has another size, MachineError
    when the system cannot read a source or write the target.
    """
    size = plan.volume.card_sectors * SECTOR
    try:
        with target.open("wb", buffering=0) as file, SparseStream(file, progress) as stream:
            write_system_area(plan, stream)
            problems = write_contents(plan, opener, stream)
            if not problems:
                sha256 = stream.finish(size)
    except TargetError as error:
        raise cannot_write(plan, target, error.args[0]) from error
    except OSError as error:  # it cannot even be opened
        raise cannot_write(plan, target, error) from error
    if problems:
        raise CheckError(changed_sources(plan.entries, opener) or problems)
    return Written(image_sha256=sha256, image_size=size, bytes_written=stream.written)


def write_system_area(plan: Plan, stream: Sink) -> None:
    """Write what lies before the first directory: partition table, boot sector with its followers, both FATs."""
    for offset, data in system_area(plan):
        if data.count(0) < len(data):
            stream.skip_to(offset)
            stream.put(data)


def write_contents(plan: Plan, opener: Opener, stream: Sink, kept: Set[Entry] = frozenset()) -> list[Problem]:
    """Write the root directory, then every folder and file by ascending cluster; return what is wrong with sources.

    Files in ``kept`` are left out.
    """
    tree = tree_of(plan)
    problems: list[Problem] = []
    stream.skip_to(plan.volume.root_start * SECTOR)
    stream.put(directory_bytes(plan, "", tree))
    for entry in sorted(plan.entries, key=lambda entry: entry.cluster):
        if entry in kept:
            continue
        if entry.clusters:
            stream.skip_to(plan.volume.cluster_offset(entry.cluster))
        if entry.is_folder:
            stream.put(directory_bytes(plan, entry.path, tree))
            continue
        try:
            problems += _copy(entry, opener, stream)
        except CheckError as error:
            problems += error.problems
    return problems


@contextmanager
def naming_changed_sources(plan: Plan, opener: Opener) -> Iterator[None]:
    """Read an image back; where it is not as planned since sources changed, CheckError names these instead."""
    try:
        yield
    except CheckError:
        if changed := changed_sources(plan.entries, opener):
            raise CheckError(changed) from None
        raise


def changed_sources(entries: Iterable[Entry], opener: Opener) -> list[Problem]:
    """Return every file whose source is not what the plan says; raises MachineError as ``write_image``."""
    problems: list[Problem] = []
    for entry in entries:
        try:
            problems += () if entry.is_folder else _changed(entry, opener)
        except CheckError as error:
            problems += error.problems
    return problems


def _changed(entry: Entry, opener: Opener) -> list[Problem]:
    sha256, size = hashlib.sha256(), 0
    with _reading(entry), opener(entry) as source:
        while size <= entry.size and (part := source.read(PART)):
            sha256.update(part)
            size += len(part)
    if size == entry.size and sha256.hexdigest() != entry.sha256:
        return [_problem(entry, f"the source has the SHA-256 {sha256.hexdigest()}; expected {entry.sha256}")]
    return _compare_sizes(entry, size)


def _copy(entry: Entry, opener: Opener, stream: Sink) -> list[Problem]:
    """Write a file straight from its source, which is read into the stream; return what is wrong with its size."""
    size = 0
    with _reading(entry), opener(entry) as source:
        read_into = cast("BufferedIOBase", source).readinto
        while size < entry.size and (count := read_into(stream.room(min(entry.size - size, PART)))):
            stream.fill(count)
            size += count
        if size == entry.size:
            size += len(source.read(1))
    return _compare_sizes(entry, size)


@contextmanager
def _reading(entry: Entry) -> Iterator[None]:
    """Turn an OSError into MachineError: the source of a file cannot be read."""
    try:
        yield
    except OSError as error:
        raise MachineError.one(f"its source cannot be read: {_reason(error)}", file=entry.path) from error


def _compare_sizes(entry: Entry, size: int) -> list[Problem]:
    if size < entry.size:
        return [_problem(entry, f"the source has {size:,} bytes; expected {entry.size:,}")]
    if size > entry.size:
        return [_problem(entry, f"the source has more than the {entry.size:,} bytes expected")]
    return []


def _problem(entry: Entry, what: str) -> Problem:
    return Problem(Place(file=entry.path), what, "it changed after it was found; build again")


def _reason(error: OSError) -> str:
    named = f" ({error.filename})" if error.filename else ""
    return f"{error.strerror or error}{named}"


def cannot_write(plan: Plan, target: Path, error: OSError) -> MachineError:
    if error.errno not in FULL:
        return MachineError.one(f"the image cannot be written: {_reason(error)}", file=str(target))
    used = sum(entry.clusters for entry in plan.entries) + plan.root_clusters
    needed = plan.volume.data_start * SECTOR + used * plan.volume.cluster_bytes
    what = f"the disk is full: {error.strerror}; the image takes up to {needed:,} bytes"
    return MachineError.one(what, "free that much, or build on another disk", file=str(target))
