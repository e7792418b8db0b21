"""Which program a machine runs: only the same one gives the same bytes."""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Sequence
from functools import cache

from pipeline.errors import MachineError
from pipeline.resources import PACKAGE, SCHEMAS, VERSION

Program = tuple[str, str, str]
"""Name and version, SHA-256 of all its files, and the Python it runs in ("Python 3.13")."""

READ = (".py", ".json", ".html", ".css", ".svg", ".txt")
"""Endings of the files of the package that take part in a build."""


@cache
def program() -> Program:
    """Return which program this is."""
    digest = hashlib.sha256()
    for folder in (PACKAGE, SCHEMAS):
        for path in sorted(path for path in folder.rglob("*") if path.suffix in READ):
            if folder == PACKAGE and path.is_relative_to(SCHEMAS):
                continue  # inside the package where it is installed, beside it in a clone
            name, data = path.relative_to(folder).as_posix(), path.read_bytes()
            digest.update(f"{name}\n{len(data)}\n".encode() + data)
    return VERSION, digest.hexdigest(), f"Python {sys.version_info.major}.{sys.version_info.minor}"


def refuse_another(asked: Sequence[str]) -> None:
    """Raise MachineError unless this is the program that asks."""
    own = program()
    if own == tuple(asked):
        return
    if own[0] == asked[0] and own[2] == asked[2]:
        what = f"has {own[0]} with other files than the program that asks"
    else:
        what = f"has {own[0]} and {own[2]}, expected {asked[0]} and {asked[2]}"
    raise MachineError.one(what, "install the same version with the same Python there")
