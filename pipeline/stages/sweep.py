"""What a killed run leaves below ``build/`` is swept when the next one starts."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def sweeping(build: Path) -> Iterator[None]:
    """Remove every ``*.part`` below ``build`` if the last run did not come to its end; note that one is at work now.

    Only while no other run works there. A run that ends, well or not, leaves none of them, so nothing is searched.
    """
    running = build / "state" / "running"
    if running.exists():
        for left in sorted(build.rglob("*.part")):
            if left.is_file() or left.is_symlink():
                left.unlink()
    running.parent.mkdir(parents=True, exist_ok=True)
    running.touch()
    yield
    running.unlink(missing_ok=True)
