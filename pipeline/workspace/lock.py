"""The lock of a build folder: one run works in it at a time; and images that others read are left as they are."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from pipeline.errors import MachineError
from pipeline.workspace.atomic_write import make_folder
from pipeline.workspace.state import remove_irregular

if sys.platform != "win32":
    import fcntl


@contextmanager
def locked(build: Path, *, wait: float = 0) -> Iterator[None]:
    """Keep every other run out of ``build``; raises MachineError while there is one, and OSError.

    ``wait``: seconds another run is given to end.
    """
    from filelock import FileLock, Timeout  # only now: a run with nothing to do needs no lock

    lock = build / "state" / "lock"
    make_folder(lock.parent)
    remove_irregular(lock)
    lock_file = FileLock(lock)
    try:
        lock_file.acquire(timeout=wait)
    except Timeout:
        raise MachineError.one("another run is working in build/", "wait until it has ended") from None
    try:
        yield
    finally:
        lock_file.release()


def keep_unpatched(descriptor: int) -> None:
    """Have no build write into an open image, until it is closed; where the system cannot, its time of change tells.

    On Windows an open file cannot be replaced, so a build stops there.
    """
    if sys.platform != "win32":
        with suppress(OSError):
            fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)


def is_kept_unpatched(path: Path) -> bool:
    """Whether some process has ``path`` open and asked that nothing be written into it."""
    if sys.platform != "win32":
        with path.open("rb") as file:
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                return True
    return False
