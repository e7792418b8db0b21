"""Where to look for source files: ``sources.toml`` and the user's own ``sources.local.toml``."""

from __future__ import annotations

import errno
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pipeline.errors import Place, Problem
from pipeline.manifest.checks.self_checks import texts
from pipeline.manifest.text.parsed import ParsedManifest
from pipeline.model.manifest import ArchiveLimits, Sources
from pipeline.model.text import quote
from pipeline.model.units import parse_size


def sources(root: Path, examined: Sequence[ParsedManifest]) -> tuple[Sources, list[Problem]]:
    """Return the places to search, in the order of the files, and what is wrong with them.

    A place is relative to the folder of inputs, where both files lie, or absolute; "~" is the user's home, "~name"
    that of another user. Limits that more than one file names are taken from the first.
    """
    places: dict[str, None] = {}
    problems: list[Problem] = []
    limits: dict[str, Any] = {}
    for manifest in examined:
        for key, text in texts(manifest.data or {}, "places"):
            try:
                path = root / Path(text).expanduser()
                path.stat()
                places[os.path.normpath(path)] = None
            except (OSError, RuntimeError, ValueError) as error:
                problems.append(_unfit(Place(manifest.file, key=key), text, error))
        if manifest.data and not manifest.problems:
            limits = {**manifest.data.get("limits", {}), **limits}
    limits |= {name: parse_size(limits[name]) for name in ("member", "total") if name in limits}
    return Sources(places=tuple(places), limits=ArchiveLimits(**limits)), problems


def _unfit(place: Place, text: str, error: Exception) -> Problem:
    """Return why a place cannot be searched: it is not there, has no home, or the system refuses to look at it."""
    if isinstance(error, RuntimeError):
        return Problem(place, f"found {quote(text)}, and no such user has a home folder", "write the path in full")
    if isinstance(error, OSError) and error.errno not in (errno.ENOENT, errno.ENOTDIR):
        return Problem(place, f"found {quote(text)}, which cannot be looked at: {error.strerror}", "correct the path")
    hint = "correct the path, or take the line out; connect the drive if it lies on one"
    return Problem(place, f"found no {quote(text)}, expected a folder or a ZIP archive", hint)
