"""Every key of a manifest as its schema explains it, for people: pure functions over the schemas.

A key is addressed as it is written in TOML: "rom.steps.at"; where people choose the name of a table, "NAME" stands
for it ("chips.NAME.size").
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

Schema = Mapping[str, Any]

NAME = "NAME"
"""Stands in a key for a name that people choose."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyReference:
    """One key of a manifest.

    ``path``: its parts below the whole manifest. ``type``: what kind of value it takes, in words; ``item``: of a
    list, each of its items, else "". ``note``: what the type means. ``values``: those it is limited to, none where it
    is not. ``default``: what it is where it is left out, None where the schema names nothing. ``example``: a value,
    None without one. ``required``: whether the table must have it. ``forms``: the forms of its table that have it,
    none when all do.
    """

    path: tuple[str, ...]
    type: str
    item: str
    description: str
    note: str
    values: tuple[str, ...]
    default: Any
    example: Any
    required: bool
    forms: tuple[str, ...]
    schema: Schema

    @property
    def name(self) -> str:
        """The key as it is written."""
        return ".".join(self.path)


def keys_in(root: Schema, path: Sequence[str] = ()) -> tuple[KeyReference, ...]:
    """Return the keys of the table, or of the tables of the list, at a path, in the order of the schema.

    Raises KeyError when there is no such key.
    """
    node, above = (key_at(root, path).schema, key_at(root, path).path) if path else (root, ())
    return tuple(_keys(root, node, above))


def all_keys(root: Schema) -> Iterator[KeyReference]:
    """Yield every key of a kind of manifest, each table's keys at the first place that has them."""
    seen: set[int] = set()

    def below(node: Schema, path: tuple[str, ...]) -> Iterator[KeyReference]:
        new = [table for table, _ in _tables(root, node) if id(table) not in seen]
        names = {name for table in new for name in table.get("properties", {})}
        names |= {NAME for table in new if isinstance(table.get("additionalProperties"), Mapping)}
        seen.update(id(table) for table, _ in _tables(root, node))
        for key in _keys(root, node, path):
            if key.path[-1] in names:
                yield key
                yield from below(key.schema, key.path)

    yield from below(root, ())


def key_at(root: Schema, path: Sequence[str]) -> KeyReference:
    """Return the key at a path, in which a name that people choose may be left out; KeyError when there is none."""
    node, key = root, None
    above: tuple[str, ...] = ()
    for part in path:
        known = {key.path[-1]: key for key in _keys(root, node, above)}
        if part not in known and NAME in known:
            inner = {key.path[-1]: key for key in _keys(root, known[NAME].schema, known[NAME].path)}
            known = {**inner, part: inner.get(part, known[NAME])}
        key = known[part]
        node, above = key.schema, key.path
    if key is None:
        raise KeyError(path)
    return key


def _keys(root: Schema, node: Schema, above: tuple[str, ...]) -> Iterator[KeyReference]:
    """Yield the keys of the tables that a node allows, those of several forms once."""
    tables = _tables(root, node)
    forms = [form for _, form in tables if form]
    found: dict[str, list[tuple[Schema, bool, str]]] = {}
    for table, form in tables:
        for name, inner in table.get("properties", {}).items():
            found.setdefault(name, []).append((inner, name in table.get("required", ()), form))
        named = table.get("additionalProperties")
        if isinstance(named, Mapping):
            found.setdefault(NAME, []).append((named, False, form))
    for name, places in found.items():
        if any(inner.get("not") == {} for inner, _, _ in places):
            continue  # a key that is only allowed elsewhere
        having = tuple(form for _, _, form in places)
        everywhere = "" in having or len(having) == len(forms)
        required = any(needed for _, needed, form in places if not form) or (
            everywhere and all(needed for _, needed, _ in places)
        )
        yield _key(root, (*above, name), places[0][0], required, () if everywhere else having)


def _key(root: Schema, path: tuple[str, ...], node: Schema, required: bool, forms: tuple[str, ...]) -> KeyReference:
    chain = _chain(root, node)
    whole: dict[str, Any] = {}
    for part in reversed(chain):
        whole |= part
    item: dict[str, Any] = {}
    for part in reversed(_chain(root, whole.get("items", {}))):
        item |= part
    type_ = str(chain[-1].get("title", ""))
    descriptions = list(dict.fromkeys(part["description"] for part in chain if "description" in part))
    examples = [*whole.get("examples", ()), *whole.get("enum", ())]
    return KeyReference(
        path=path,
        type=type_,
        item=str(_chain(root, whole["items"])[-1].get("title", "")) if "items" in whole else "",
        description=next(iter(descriptions), ""),
        note=" ".join(descriptions[1:]),
        values=tuple(map(str, whole.get("enum", item.get("enum", ())))),
        default=whole.get("default"),
        example=examples[0] if examples else None,
        required=required,
        forms=forms,
        schema=node,
    )


def _chain(root: Schema, node: Schema) -> list[Schema]:
    """Return a node and the definitions its references lead to, each without the reference."""
    chain = [node]
    while "$ref" in chain[-1]:
        chain.append(root["$defs"][chain[-1]["$ref"].removeprefix("#/$defs/")])
    return chain


def _tables(root: Schema, node: Schema, form: str = "") -> list[tuple[Schema, str]]:
    """Return the schemas of the tables that a value is or holds, each with the form it describes, "" for any."""
    node = _chain(root, node)[-1]
    tables = [(node, form)] if "properties" in node or isinstance(node.get("additionalProperties"), Mapping) else []
    for branch in node.get("oneOf", ()):
        tables += _tables(root, branch, _chain(root, branch)[-1]["title"])
    if "items" in node:
        tables += _tables(root, node["items"], form)
    return tables
