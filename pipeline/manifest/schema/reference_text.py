"""The keys of manifests as text for a terminal, as JSON values, and as one page of Markdown."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from pipeline.manifest.schema.reference import KeyReference, Schema, all_keys
from pipeline.manifest.text.write import toml_key, toml_value

PAGE_HEAD = """\
# Every key of the manifests

Made from the schemas in this folder by `doit keys --markdown`; do not edit it by hand. A key in **bold** must be there.
`NAME` stands for a name that you choose. `doit keys core.needs.outputs` explains one key on the terminal.
"""


def summary(text: str) -> str:
    """Return the first sentence of a description."""
    return text.partition(". ")[0].rstrip(".")


def list_lines(keys: Iterable[KeyReference]) -> Iterator[str]:
    """Yield one line a key: its name, "*" where it is required, and what it is for."""
    known = list(keys)
    width = max(len(key.name) for key in known) + 1
    for key in known:
        yield f"{key.name + '*' * key.required:<{width}}  {summary(key.description)}"


def key_lines(kind: str, key: KeyReference, keys: Iterable[KeyReference]) -> Iterator[str]:
    """Yield what a key is for, its type, values, default and an example, then the keys of its own table."""
    yield f"{kind}.{key.name}"
    yield from _block("", [key.description])
    yield from _block("type", [key.type, *([key.note] if key.note else [])])
    if key.values:
        yield from _block("values", [", ".join(key.values)])
    if key.default is not None:
        yield from _block("default", [toml_value(key.default)])
    yield from _block("required", ["yes" if key.required else "no"])
    if key.forms:
        yield from _block("only in", list(key.forms))
    yield from _block("example", example_lines(key))
    below = list(keys)
    if below:
        yield from _block("keys", list_lines(below))


def _block(word: str, lines: Iterable[str]) -> Iterator[str]:
    for number, line in enumerate(lines):
        yield f"  {'' if number else word:<9} {line}".rstrip() if word else f"  {line}"


def example_lines(key: KeyReference) -> list[str]:
    """Return the example as a manifest has it: a line, or the lines of a table."""
    if isinstance(key.example, Mapping) and key.path:
        return [f"[{toml_key(key.path)}]", *_pairs(key.example)]
    if isinstance(key.example, list) and "[[" in key.type:
        return [line for table in key.example for line in (f"[[{toml_key(key.path)}]]", *_pairs(table))]
    return list(_pairs({key.path[-1]: key.example}))


def _pairs(table: Mapping[str, Any]) -> Iterator[str]:
    return (f"{toml_key([name])} = {toml_value(value)}" for name, value in table.items())


def key_document(key: KeyReference) -> dict[str, Any]:
    """Return a key as JSON has it."""
    return {
        "key": key.name,
        "description": key.description,
        "type": key.type,
        "note": key.note,
        "values": key.values,
        "default": key.default,
        "required": key.required,
        "only-in": key.forms,
        "example": key.example,
    }


def page(schemas: Mapping[str, Schema]) -> str:
    """Return the reference of all kinds as one page of Markdown."""
    return "\n".join([PAGE_HEAD, *(line for kind, root in schemas.items() for line in _section(kind, root))])


def _section(kind: str, root: Schema) -> Iterator[str]:
    yield from (f"## {kind}", "", root["description"], "", "| key | value | means | example |", "|---|---|---|---|")
    for key in all_keys(root):
        name = f"**`{key.name}`**" if key.required else f"`{key.name}`"
        value = [key.type, f"default `{toml_value(key.default)}`" if key.default is not None else ""]
        means = [key.description, f"Values: {', '.join(f'`{value}`' for value in key.values)}." if key.values else ""]
        cells = [name, "; ".join(filter(None, value)), " ".join(filter(None, means)), f"`{toml_value(key.example)}`"]
        yield f"| {' | '.join(cell.replace('|', '&#124;') for cell in cells)} |"
    yield ""
