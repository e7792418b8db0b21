"""Where to look for source files: ``sources.toml`` and the user's own ``sources.local.toml``."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pipeline.errors import Place, Problem
from pipeline.manifest.checks.self_checks import texts
from pipeline.manifest.schema.messages import quote
from pipeline.manifest.text.parsed import Examined
from pipeline.model.manifest import ArchiveLimits, Sources
from pipeline.model.units import parse_size


def sources(root: Path, examined: Sequence[Examined]) -> tuple[Sources, list[Problem]]:
    """Return the places to search, in the order of the files, and what is wrong with them.

    A place is relative to the folder of inputs, where both files lie, or absolute; "~" is the user's home. Limits
    that more than one file names are taken from the first.
    """
    places: dict[str, None] = {}
    problems: list[Problem] = []
    limits: dict[str, Any] = {}
    for one in examined:
        for key, text in texts(one.data or {}, "places"):
            path = root / Path(text).expanduser()
            if path.exists():
                places[os.path.normpath(path)] = None
            else:
                problems.append(_missing(Place(one.file, key=key), text))
        if one.data and not one.problems:
            limits = {**one.data.get("limits", {}), **limits}
    limits |= {name: parse_size(limits[name]) for name in ("member", "total") if name in limits}
    return Sources(places=tuple(places), limits=ArchiveLimits(**limits)), problems


def _missing(place: Place, text: str) -> Problem:
    hint = "correct the path, or take the line out; connect the drive if it lies on one"
    return Problem(place, f"found no {quote(text)}, expected a folder or a ZIP archive", hint)
