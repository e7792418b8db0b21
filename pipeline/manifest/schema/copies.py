"""The schemas beside a folder of inputs, by which editors complete and explain keys: copies of the program's own."""

from __future__ import annotations

from pathlib import Path

from pipeline.errors import Place, Problem
from pipeline.manifest.text.read import FOLDERS
from pipeline.resources import SCHEMAS, VERSION

KINDS = (*FOLDERS, "sources")
"""The kinds of manifest that an editor checks."""


def schemas() -> dict[str, bytes]:
    """Return the program's own schemas of manifests by file name ("title.schema.json")."""
    return {f"{kind}.schema.json": _text(SCHEMAS / f"{kind}.schema.json") for kind in KINDS}


def outdated(folder: Path, shown: str) -> tuple[Problem, ...]:
    """Return a warning when schemas in a folder are not the program's own; ``shown``: the folder in messages."""
    own = schemas()
    names = [name for name in own if (folder / name).is_file() and _text(folder / name) != own[name]]
    if not names:
        return ()
    what = f"{', '.join(names)}: not the schemas of {VERSION}, so editors may explain keys wrongly"
    return (Problem(Place(shown), what, f"doit start --schemas {shown.rpartition('/')[0] or '.'} renews them"),)


def _text(path: Path) -> bytes:
    """Return a file's bytes with the line endings of the program's own."""
    return path.read_bytes().replace(b"\r\n", b"\n")
