"""What a run that was cut off leaves below ``build/`` is swept when the next one starts."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.file_digest import sha256_of_file
from pipeline.model.text import counted
from pipeline.workspace.atomic_write import make_folder, sync_folder
from pipeline.workspace.fsync_queue import Unsynced
from pipeline.workspace.stamp import Stamp, rom_stamps
from pipeline.workspace.state import remove_irregular


@contextmanager
def sweeping(build: Path) -> Iterator[None]:
    """Remove what is not whole below ``build`` if the last run did not come to its end; note that one is at work now.

    That is every ``*.part``, and every stamp of ROM files that are not as they were made: they are synced only when a
    run ends. Only while no other run works there. A run that ends, well or not, leaves nothing, so nothing is searched.
    """
    running = build / "state" / "running"
    if os.path.lexists(running):
        sweep_parts(build)
        _sweep_roms(build)
    make_folder(running.parent)
    remove_irregular(running)
    running.touch()
    sync_folder(running.parent)  # lost in a power cut, it could not tell the next run of it
    yield
    running.unlink(missing_ok=True)


def sweep_parts(build: Path) -> None:
    """Remove what a process that was killed was writing."""
    for left in sorted(build.rglob("*.part")):
        if left.is_file() or left.is_symlink():
            left.unlink()


def _sweep_roms(build: Path) -> None:
    """Have ROM files made again whose bytes are not those of their stamp, whatever they look like."""
    stamps, whole, damaged = rom_stamps(build), Unsynced(), 0
    for title in list(stamps.names()):
        stamp = stamps.read(title, Stamp)
        outputs = {build / "roms" / title / name: made.sha256 for name, made in stamp.outputs.items()} if stamp else {}
        if all(path.is_file() and sha256_of_file(path) == sha256 for path, sha256 in outputs.items()):
            for path in outputs:
                whole.add(path, path.stat().st_size)
        else:
            stamps.write(title, None)
            damaged += 1
    whole.sync()
    if damaged:
        sys.stdout.write(f"sweep   the last run was interrupted: rebuilding ROM files of {counted(damaged, 'title')}\n")
