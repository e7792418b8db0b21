"""Writes the image a plan describes: one pass in ascending order, each byte once, the image hashed on the way.

What the bytes are is decided elsewhere: by the plan, and by ``pipeline.fat`` for everything that is not a file's.
"""

from __future__ import annotations

import errno
import hashlib
from collections.abc import Callable, Set
from concurrent.futures import Executor, Future
from contextlib import AbstractContextManager
from io import BufferedIOBase
from pathlib import Path
from typing import BinaryIO, Protocol, cast

from pipeline.errors import CheckError, MachineError, Place, Problem
from pipeline.fat.directory import directory_bytes, tree_of
from pipeline.fat.structure import system_area
from pipeline.image.stream import SparseStream, TargetError
from pipeline.image.written import Written
from pipeline.model.plan import SECTOR, Entry, Plan
from pipeline.threads import Threads

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
        """Return a place for the next bytes, which stays as it is until two more were asked for."""

    def fill(self, size: int, /) -> None:
        """Take the first ``size`` bytes of the room."""


PART = 1 << 20
"""Bytes of a source read at once."""


LARGE = 1 << 16
"""Bytes from which handing a part to another thread costs less than hashing it here."""

FULL = {errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC)}
"""No space left; larger than the file system takes; quota used up (which not every system knows)."""


def write_image(
    plan: Plan,
    opener: Opener,
    target: Path,
    progress: Callable[[int], None] = lambda _: None,
    *,
    hashed: bool = True,
) -> Written:
    """Write the image to ``target`` and nothing else, and return what it is.

    ``progress`` is called with the bytes of the image that are done since the last call, holes included, from
    another thread. ``hashed``: whether each source is hashed; without it the image must be read back, and where it is
    not as planned, ``changed_sources`` tells why. Memory does not grow with bytes. What a failed run leaves at
    ``target`` is of no use.

    Raises CheckError with every file whose source is not what the plan says (size, SHA-256), MachineError when the
    system cannot read a source or write the target.
    """
    size = plan.volume.card_sectors * SECTOR
    problems: list[Problem] = []
    try:
        with (
            target.open("wb", buffering=0) as file,
            SparseStream(file, progress) as stream,
            Threads(1, "file-hash") as hasher,
        ):
            write_system_area(plan, stream)
            problems += write_contents(plan, opener, stream, hasher if hashed else None)
            if not problems:
                sha256 = stream.finish(size)
    except TargetError as error:
        raise cannot_write(plan, target, error.args[0]) from error
    except OSError as error:  # it cannot even be opened
        raise cannot_write(plan, target, error) from error
    if problems:
        raise CheckError(problems)
    return Written(image_sha256=sha256, image_size=size, bytes_written=stream.written)


def write_system_area(plan: Plan, stream: Sink) -> None:
    """Write what lies before the first directory: partition table, boot sector with its followers, both FATs."""
    for offset, data in system_area(plan):
        if data.count(0) < len(data):
            stream.skip_to(offset)
            stream.put(data)


def write_contents(
    plan: Plan, opener: Opener, stream: Sink, hasher: Executor | None, kept: Set[Entry] = frozenset()
) -> list[Problem]:
    """Write the root directory, then every folder and file by ascending cluster; return what is wrong with sources.

    ``hasher``: hashes large sources; without one none is hashed. Files in ``kept`` are left out.
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
            problems += _copy(entry, opener, stream, hasher)
        except CheckError as error:
            problems += error.problems
    return problems


def changed_sources(plan: Plan, opener: Opener) -> list[Problem]:
    """Return every file of the plan whose source has another SHA-256 now; raises MachineError as ``write_image``."""
    problems: list[Problem] = []
    for entry in plan.entries:
        try:
            if not entry.is_folder:
                with opener(entry) as source:
                    problems += _compare(
                        entry, hashlib.file_digest(cast("BufferedIOBase", source), "sha256").hexdigest()
                    )
        except CheckError as error:
            problems += error.problems
        except OSError as error:
            raise _unreadable(entry, error) from error
    return problems


def _copy(entry: Entry, opener: Opener, stream: Sink, hasher: Executor | None) -> list[Problem]:
    """Write a file from its source; return what is wrong with the source."""
    digest = hashlib.sha256() if hasher else None
    try:
        with opener(entry) as source:
            left = entry.size - _pour(source, entry.size, stream, digest, hasher)
            longer = not left and bool(source.read(1))
    except OSError as error:
        raise _unreadable(entry, error) from error
    if left:
        return [_changed(entry, f"the source has {entry.size - left:,} bytes; expected {entry.size:,}")]
    if longer:
        return [_changed(entry, f"the source has more than the {entry.size:,} bytes expected")]
    return _compare(entry, digest.hexdigest()) if digest else []


def _unreadable(entry: Entry, error: OSError) -> MachineError:
    return MachineError.one(f"its source cannot be read: {_reason(error)}", file=entry.path)


def _compare(entry: Entry, sha256: str) -> list[Problem]:
    if sha256 == entry.sha256:
        return []
    return [_changed(entry, f"the source has the SHA-256 {sha256}; expected {entry.sha256}")]


def _pour(source: BinaryIO, size: int, stream: Sink, digest: hashlib._Hash | None, hasher: Executor | None) -> int:
    """Read up to ``size`` bytes straight into the stream, hash them, and return how many there were.

    Large parts are hashed in another thread while the next is read and the last written. No more than one is behind,
    so the stream, which keeps several blocks, never takes one back too early.
    """
    read_into = cast("BufferedIOBase", source).readinto
    left = size
    hashed: Future[None] | None = None
    while left:
        room = stream.room(min(left, PART))
        count = read_into(room)
        if hashed is not None:
            hashed.result()
            hashed = None
        if not count:
            break
        if digest and hasher and count >= LARGE:
            hashed = hasher.submit(digest.update, room[:count])
        elif digest:
            digest.update(room[:count])
        stream.fill(count)
        left -= count
    if hashed is not None:
        hashed.result()
    return size - left


def _changed(entry: Entry, what: str) -> Problem:
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
