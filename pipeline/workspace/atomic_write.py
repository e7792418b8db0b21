"""Files that are replaced in one step, so that a reader finds the old bytes or the new ones and nothing between."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

from pipeline.errors import MachineError

SYNCED_TOGETHER = 8
"""Files that are synced side by side."""

LONGEST = 250
"""Bytes of a name to which ".part" can be added; 255 are the most on usual file systems."""


def check_working_folder() -> None:
    """Raise MachineError when the folder that people work in was removed."""
    try:
        Path.cwd()
    except FileNotFoundError:
        raise MachineError.one("the working folder is gone", "change to a folder that exists") from None


def make_folder(folder: Path) -> None:
    """Have a folder, with those above it; not where the working folder was removed: nothing of it is to come back."""
    try:
        folder.mkdir()
    except FileExistsError:
        if not folder.is_dir():
            raise
    except FileNotFoundError:
        check_working_folder()
        folder.mkdir(parents=True, exist_ok=True)


@contextmanager
def replacing(path: Path, *, sync: bool = True) -> Iterator[Path]:
    """Give a temporary name beside ``path``; what was written there takes its place when all went well.

    The old file stays until then. File and folder are synced, so the change survives a power cut in either state.
    Without ``sync`` a power cut may leave the old file, none or a damaged one, until it is synced later.
    """
    make_folder(path.parent)
    temporary = temporary_name(path)
    try:
        yield temporary
        if sync:
            _sync(temporary)
        temporary.replace(path)
        if sync:
            sync_folder(path.parent)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise


def write_together(files: Mapping[Path, bytes]) -> None:
    """Write small files, all or none: what was there keeps its permissions, and comes back when one cannot be written.

    All are written and synced under temporary names before the first takes its place. Their folders are there.
    """
    from pipeline.threads import Threads  # few commands write together, and loading it takes time

    before = {path: path.read_bytes() if path.exists() else None for path in files}
    placed = list[Path]()
    try:
        for path, data in files.items():
            temporary = temporary_name(path)
            temporary.unlink(missing_ok=True)
            temporary.write_bytes(data)
            if before[path] is not None:
                shutil.copymode(path, temporary)
        with Threads(SYNCED_TOGETHER) as threads:  # side by side: a disk syncs many in the time of a few
            list(threads.map(_sync, map(temporary_name, files)))
        for path in files:
            placed.append(path)
            temporary_name(path).replace(path)
        for folder in {path.parent for path in files}:
            sync_folder(folder)
    except BaseException:
        for path in files:
            temporary_name(path).unlink(missing_ok=True)
        for path in placed:
            _put_back(path, before[path])
        raise


def _sync(path: Path) -> None:
    with path.open("rb+") as written:
        os.fsync(written.fileno())


def temporary_name(path: Path) -> Path:
    """Return the name beside a path under which it is written: one that file systems take, however long its own is."""
    name = path.name
    if len(os.fsencode(name)) > LONGEST:
        import hashlib  # such names are rare, and loading it takes time

        name = hashlib.sha256(os.fsencode(name)).hexdigest()
    return path.with_name(f"{name}.part")


def _put_back(path: Path, data: bytes | None) -> None:
    """Have a file be again what it was before; what the disk does not let us do is left."""
    with suppress(OSError):
        if data is None:
            path.unlink(missing_ok=True)
        elif path.read_bytes() != data:
            with replacing(path) as temporary:
                temporary.write_bytes(data)
                shutil.copymode(path, temporary)


def write_if_changed(path: Path, data: bytes) -> bool:
    """Write a small file unless it holds these bytes already; return whether it was written."""
    with suppress(FileNotFoundError):
        if path.read_bytes() == data:
            return False
    with replacing(path) as temporary:
        temporary.write_bytes(data)
    return True


def sync_folder(folder: Path) -> None:
    """Make a rename durable; Windows has no such call and needs none."""
    if os.name == "posix":
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
