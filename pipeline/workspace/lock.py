"""The lock of a build folder: one run works in it at a time."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.errors import MachineError
from pipeline.workspace.atomic_write import make_folder
from pipeline.workspace.state import remove_irregular


@contextmanager
def locked(build: Path) -> Iterator[None]:
    """Keep every other run out of ``build``; raises MachineError while there is one, and OSError."""
    from filelock import FileLock, Timeout  # only now: a run with nothing to do needs no lock

    lock = build / "state" / "lock"
    make_folder(lock.parent)
    remove_irregular(lock)
    held = FileLock(lock)
    try:
        held.acquire(timeout=0)
    except Timeout:
        raise MachineError.one("another run is working in build/", "wait until it has ended") from None
    try:
        yield
    finally:
        held.release()
