"""The schemas beside a folder of inputs, by which editors complete and explain keys: the program's own, with blanks."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from pipeline.errors import Place, Problem
from pipeline.manifest.files import KINDS
from pipeline.manifest.text.blank import BLANK
from pipeline.resources import SCHEMAS, VERSION

PLAIN = frozenset({"string", "integer", "boolean"})
"""The types of values that can be blank; a table or a list cannot."""

LIMITS = frozenset({"type", "pattern", "minLength", "maxLength", "minimum", "maximum", "format", "const"})
"""Keywords that limit a plain value."""

AS_IT_IS = frozenset({"examples", "default", "not"})
"""Keywords that hold values, or forbid something."""


@cache
def schemas() -> Mapping[str, bytes]:
    """Return the schemas for editors by file name ("title.schema.json"): the program's own, with blanks allowed."""
    made = {}
    for kind in KINDS:
        name = f"{kind}.schema.json"
        own = json.loads((SCHEMAS / name).read_bytes())
        made[name] = f"{json.dumps(taking_blanks(own), indent=2, ensure_ascii=False)}\n".encode()
    return made


def taking_blanks(node: Any) -> Any:
    """Return a schema in which every plain value may be blank as well; its types and values stay where editors look."""
    if isinstance(node, list):
        return [taking_blanks(inner) for inner in node]
    if not isinstance(node, Mapping):
        return node
    types = [node["type"]] if isinstance(node.get("type"), str) else node.get("type", [])
    if "enum" in node:
        taking = {**node, "enum": [*node["enum"], BLANK]}
    elif types and PLAIN.issuperset(types):
        taking = {key: value for key, value in node.items() if key not in LIMITS}
        taking |= {"if": {"const": BLANK}, "else": {key: value for key, value in node.items() if key in LIMITS}}
    else:
        taking = {key: value if key in AS_IT_IS else taking_blanks(value) for key, value in node.items()}
    if not PLAIN.isdisjoint(types):
        taking["type"] = list(dict.fromkeys([*types, "string"]))
    return taking


def outdated(folder: Path, shown: str) -> tuple[Problem, ...]:
    """Return a warning when schemas in a folder are not the program's own; ``shown``: the folder in messages."""
    own = schemas()
    if folder.resolve() == SCHEMAS:
        return ()
    names = [
        name
        for name in own
        if (folder / name).is_file() and _text(folder / name) not in (own[name], (SCHEMAS / name).read_bytes())
    ]
    if not names:
        return ()
    what = f"{', '.join(names)}: not the schemas of {VERSION}, so editors may explain keys wrongly"
    return (Problem(Place(shown), what, f"doit start --schemas {shown.rpartition('/')[0] or '.'} renews them"),)


def _text(path: Path) -> bytes:
    """Return a file's bytes with the line endings of the program's own."""
    return path.read_bytes().replace(b"\r\n", b"\n")


def schema_line(manifest: Path, kind: str) -> str:
    """Return the first line of a manifest, which names its schema for editors; "" where no schemas are near it."""
    home = manifest.parent.parent
    for folder in (home, *home.parents[:2]):
        schema = folder / "schemas" / f"{kind}.schema.json"
        if schema.is_file():
            return f"#:schema {Path(os.path.relpath(schema, manifest.parent)).as_posix()}"
    return ""
