"""The blanks of a manifest: each is a problem that names what is expected and how to fill it in."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from pipeline.errors import Place, Problem
from pipeline.manifest.edit.pinnable import FIELDS, GROUPS, IMAGE_FIELD, key_of
from pipeline.manifest.schema.reference import KeyReference, key_at
from pipeline.manifest.schema.validate import schema
from pipeline.manifest.text.blank import blanks_in
from pipeline.manifest.text.positions import Part, spell
from pipeline.manifest.text.write import toml_value

LONGEST = 60
"""Characters of an example that a message shows."""


def blank_problems(kind: str, data: Mapping[str, Any], file: str) -> Iterator[Problem]:
    """Yield a problem for each blank of a manifest, not yet located; nothing for one where no key can be."""
    for path in blanks_in(data):
        names = [part for part in path if isinstance(part, str)]
        try:
            key = key_at(schema(kind), names)
        except KeyError:
            continue
        what = f"still to be filled in; expected {_expected(key, is_item=isinstance(path[-1], int))}"
        hint = _command(kind, _id_of(file), path) or f"doit keys {kind}.{key.name} explains it"
        yield Problem(Place(file, key=spell(path)), what, hint)


def _id_of(file: str) -> str:
    """Return the id of what a manifest declares: the name of its file."""
    return file.rpartition("/")[2].removesuffix(".toml")


def _expected(key: KeyReference, *, is_item: bool) -> str:
    type_, value = (key.item, key.example[0]) if is_item else (key.type, key.example)
    example = toml_value(value)
    return f"{type_} such as {example}" if len(example) <= LONGEST else type_


def _command(kind: str, id_: str, path: tuple[Part, ...]) -> str:
    """Return the command that writes the value from a file, "" where a person writes it."""
    if path == (IMAGE_FIELD,):
        return f"doit pin {kind}:{id_} image built writes it"
    if path[-1] not in FIELDS or path[0] not in GROUPS.get(kind, ()):
        return ""
    return f"doit pin {kind}:{id_} {key_of(path[:-1])} FILE writes it"
