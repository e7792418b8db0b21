"""What a killed run leaves below ``build/`` is swept when the next one starts."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.stages.stamp import sync_folder


@contextmanager
def sweeping(build: Path) -> Iterator[bool]:
    """Remove every ``*.part`` below ``build`` if the last run did not come to its end; note that one is at work now.

    Gives whether the last run was cut off. Only while no other run works there. A run that ends, well or not, leaves
    no such file, so nothing is searched.
    """
    running = build / "state" / "running"
    cut_off = running.exists()
    if cut_off:
        for left in sorted(build.rglob("*.part")):
            if left.is_file() or left.is_symlink():
                left.unlink()
    running.parent.mkdir(parents=True, exist_ok=True)
    running.touch()
    sync_folder(running.parent)  # lost in a power cut, it could not tell the next run of it
    yield cut_off
    running.unlink(missing_ok=True)
