"""What is wrong with a manifest by its schema, each error at the key that is meant.

jsonschema-rs decides after JSON Schema 2020-12; its errors are brought to the one key a person has to look at: an
unknown key, a missing key, the second of two equal items, the branch of a ``oneOf`` that was meant. TOML differs from
JSON in two ways that matter here: it has dates and times of its own, which pass where the format asks for them, and 2.0
is no whole number. Both stand in the JSON as fractions, which no schema takes.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, cast

from jsonschema_rs import Draft202012Validator, ValidationError

from pipeline.manifest.schema.formats import FORMATS, TOML_DATES, UnfitError
from pipeline.manifest.schema.reference import key_at
from pipeline.manifest.text.positions import Part

Schema = Mapping[str, Any]

MARKS: Mapping[type, float] = {date: 0.5, datetime: 1.5}
"""What stands for TOML's own dates and times where they are fit."""

NEVER = 2.5
"""What stands for a value that no schema takes."""

MARKED = {name: MARKS[kind] for name, kind in TOML_DATES.items()}
"""The mark that a format takes beside text."""

TYPES: Mapping[str, type] = {"object": dict, "array": list, "string": str, "boolean": bool, "integer": int}


@dataclass(frozen=True, slots=True, kw_only=True)
class SchemaError:
    """One error: what the schema asks for at a path, and what is there.

    ``keyword``: that of JSON Schema, or one of ours: "unknown" (key), "name" (of a key), "twice" (item), "apart",
    "several" and "none" (of the keys that choose a branch). ``names``: the keys these are about. ``cause``: why a value
    does not have its format.
    """

    keyword: str
    path: tuple[Part, ...]
    value: Any
    schema: Schema
    names: tuple[str, ...] = ()
    cause: UnfitError | None = None


class Checker:
    """Holds values against one schema, which refers to nothing outside itself; nothing is ever fetched."""

    def __init__(self, schema: Schema) -> None:
        formats = {name: _passes(check) for name, check in FORMATS.items()}
        self._root = schema
        self._validator = Draft202012Validator(_with_marks(schema), formats=formats, validate_formats=True)

    def errors(self, data: Any) -> Iterator[SchemaError]:
        """Yield what is wrong with TOML values, of each path the first error; the others follow from it."""
        plain = data if _is_json([data]) else _as_json(data)
        if self._validator.is_valid(plain):
            return
        seen: set[tuple[Part, ...]] = set()
        for error in _Errors(self._root, data).told(self._validator.iter_errors(plain)):
            if error.path not in seen:
                seen.add(error.path)
                yield error


class _Errors:
    """Brings the engine's errors to the keys that are meant. ``root``: the schema; ``data``: what was checked."""

    def __init__(self, root: Schema, data: Any) -> None:
        self._root = root
        self._data = data

    def told(self, errors: Iterable[ValidationError]) -> Iterator[SchemaError]:
        for error in sorted(errors, key=self._order):
            yield from self._told(error)

    def _order(self, error: ValidationError) -> tuple[bool, int]:
        """Return the order among the errors of one value: that of the schema, and its format last."""
        keyword, keywords = str(error.schema_path[-1]), list(self._node(error))
        return keyword == "format", keywords.index(keyword) if keyword in keywords else 0

    def _node(self, error: ValidationError) -> Schema:
        """Return the part of the schema an error is about, without the marks."""
        return cast("Schema", _at(self._root, error.schema_path[:-1]))

    def _path(self, error: ValidationError) -> tuple[Part, ...]:
        """Return where the value stands; the engine takes keys such as "1" and "01" for the number of an item."""
        paths = list(_paths(self._data, error.instance_path))
        same = [path for path in paths if _as_json(_at(self._data, path)) == error.instance] if paths[1:] else []
        return (same or paths)[0]

    def _told(self, error: ValidationError) -> Iterator[SchemaError]:
        path, node = self._path(error), self._node(error)
        value, kind = _at(self._data, path), cast("Any", error.kind)
        keyword = str(error.schema_path[-1])
        match kind.name:
            case "required":
                yield self._required(path, node, kind.property)
            case "additionalProperties":
                for name in kind.unexpected:
                    yield _unknown((*path, name), node.get("properties", {}))
            case "propertyNames":
                name = kind.error.instance
                yield SchemaError(keyword="name", path=(*path, name), value=name, schema=self._node(kind.error))
            case "uniqueItems":
                yield from _twice(path, value, node)
            case "oneOf" | "oneOfMultipleValid" | "oneOfNotValid":
                yield from self._one_of(path, value, node["oneOf"], kind.context)
            case "format":
                yield from _unfit(path, value, node)
            case _ if keyword in node:
                yield SchemaError(keyword=keyword, path=path, value=value, schema=node)
            case _:  # a bound of a mark
                error_of_type = SchemaError(keyword="type", path=path, value=value, schema=node)
                yield from _unfit(path, value, node) or [error_of_type]

    def _required(self, path: tuple[Part, ...], node: Schema, name: str) -> SchemaError:
        known = node.get("properties", {})
        if name not in known:  # asked for by a condition, and described where there is none
            known = {name: key_at(self._root, [part for part in (*path, name) if isinstance(part, str)]).schema}
        wanted = resolved(self._root, known[name])
        return SchemaError(keyword="required", path=(*path, name), value=None, schema=wanted)

    def _one_of(
        self,
        path: tuple[Part, ...],
        value: Any,
        branches: Sequence[Schema],
        errors: Sequence[Sequence[ValidationError]],
    ) -> Iterator[SchemaError]:
        """Yield the errors of the one branch that is meant, so that a wrong argument gives one error and not many.

        Of tables, it is the branch of whose own required keys one is present; failing that, of whose own keys one is
        present. A key is a branch's own when no other branch has it.
        """
        known = [(index, resolved(self._root, branch)) for index, branch in enumerate(branches)]
        known = [(index, branch) for index, branch in known if _is_type(value, branch["type"])]
        if len(known) == 1:
            yield from self.told(errors[known[0][0]])
        if len(known) < 2:
            return
        required = _own([_required_keys(branch) for _, branch in known])
        everything = [list(branch["properties"]) for _, branch in known]
        meant = _meant(required, value) or _meant(_own(everything), value)
        if len(meant) != 1:
            yield from _no_branch(path, [branch for _, branch in known], everything, value)
            return
        chosen = tuple(key for key in required[meant[0]] if key in value)
        for error in self.told(errors[known[meant[0]][0]]):
            is_other = error.keyword == "unknown" and error.path[:-1] == path
            if is_other and any(error.path[-1] in keys for keys in everything):
                yield SchemaError(keyword="apart", path=error.path, value=None, schema=error.schema, names=chosen)
            else:
                yield error


def resolved(root: Schema, schema: Schema) -> Schema:
    """Return a schema with its reference into ``$defs`` followed; keys beside the reference win."""
    while "$ref" in schema:
        beside = {key: value for key, value in schema.items() if key not in ("$ref", "title")}
        schema = {**root["$defs"][schema["$ref"].removeprefix("#/$defs/")], **beside}
    return schema


def _at(value: Any, path: Iterable[Part]) -> Any:
    for part in path:
        value = value[part]
    return value


def _paths(value: Any, parts: Sequence[Part]) -> Iterator[tuple[Part, ...]]:
    """Yield the paths that the engine may mean, one where no key looks like a number."""
    if not parts:
        yield ()
        return
    part, *rest = parts
    is_key = isinstance(value, list) or part in value
    for key in [part] if is_key else [key for key in value if (key.lstrip("+").lstrip("0") or "0") == str(part)]:
        yield from ((key, *path) for path in _paths(value[key], rest))


def _with_marks(schema: Any) -> Any:
    """Return a schema in which each format that takes TOML's dates takes their marks."""
    if isinstance(schema, list):
        return [_with_marks(inner) for inner in schema]
    if not isinstance(schema, Mapping):
        return schema
    if schema.get("format") in MARKED and "type" in schema:
        mark = MARKED[schema["format"]]
        return {**schema, "type": [schema["type"], "number"], "minimum": mark, "maximum": mark}
    return {key: _with_marks(inner) for key, inner in schema.items()}


def _is_json(values: Any) -> bool:
    """Whether JSON has all that a table or list holds as TOML has it: quick to say, and nearly always so."""
    for value in values.values() if type(values) is dict else values:
        kind = type(value)
        if kind is dict or kind is list:
            if not _is_json(value):
                return False
        elif not (kind is str or kind is bool or kind is int):
            return False
    return True


def _as_json(value: Any) -> Any:
    """Return a TOML value with marks for dates, and for what no schema takes."""
    if isinstance(value, dict):
        return {key: _as_json(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [_as_json(inner) for inner in value]
    if isinstance(value, str | int):
        return value
    return MARKS[type(value)] if type(value) in MARKS and _passes(FORMATS["moment"])(value) else NEVER


def _passes(check: Callable[[object], None]) -> Callable[[object], bool]:
    def passes(value: object) -> bool:
        try:
            check(value)
        except ValueError:  # of its own or of what it reads the value with
            return False
        return True

    return passes


def _is_type(value: Any, names: str | Sequence[str]) -> bool:
    wanted = tuple(TYPES[name] for name in ([names] if isinstance(names, str) else names))
    return isinstance(value, wanted) and (not isinstance(value, bool) or bool in wanted)


def _unfit(path: tuple[Part, ...], value: Any, node: Schema) -> list[SchemaError]:
    """Return the error of a value that is not what its format asks for; a pattern says what is not of its form."""
    if "pattern" in node and isinstance(value, str) and not re.search(node["pattern"], value):
        return []
    try:
        FORMATS[node["format"]](value)
    except UnfitError as error:
        return [SchemaError(keyword="format", path=path, value=value, schema=node, cause=error)]
    return []


def _unknown(path: tuple[Part, ...], known: Iterable[str]) -> SchemaError:
    return SchemaError(keyword="unknown", path=path, value=None, schema={}, names=tuple(known))


def _twice(path: tuple[Part, ...], items: Sequence[Any], node: Schema) -> Iterator[SchemaError]:
    seen: set[str] = set()
    for index, item in enumerate(items):
        if repr(item) in seen:
            yield SchemaError(keyword="twice", path=(*path, index), value=item, schema=node)
        seen.add(repr(item))


def _required_keys(schema: Schema) -> list[str]:
    return [*schema.get("required", ()), *(key for form in schema.get("anyOf", ()) for key in form["required"])]


def _own(keys: Sequence[Sequence[str]]) -> list[list[str]]:
    """Return, of each branch's keys, those that no other branch has."""
    counts = Counter(key for branch in keys for key in set(branch))
    return [[key for key in branch if counts[key] == 1] for branch in keys]


def _meant(own: Sequence[Sequence[str]], value: Mapping[str, Any]) -> list[int]:
    return [index for index, keys in enumerate(own) if any(key in value for key in keys)]


def _no_branch(
    path: tuple[Part, ...], branches: Sequence[Schema], everything: Sequence[Sequence[str]], value: Mapping[str, Any]
) -> Iterator[SchemaError]:
    """Yield why no branch is meant: keys of several are there, or an unknown key in their place, or none."""
    known = tuple(dict.fromkeys(key for keys in everything for key in keys))
    own = _own([_required_keys(branch) for branch in branches])
    present = tuple(name for name in value if any(name in keys for keys in own))
    unknown = [name for name in value if name not in known]
    for name in unknown:
        yield _unknown((*path, name), known)
    if present:
        yield SchemaError(keyword="several", path=path, value=value, schema={}, names=present)
    elif not unknown:
        choices = [key for keys, branch in zip(own, branches, strict=True) for key in _choices(keys, branch)]
        yield SchemaError(keyword="none", path=path, value=value, schema={}, names=tuple(choices))


def _choices(own: Sequence[str], branch: Schema) -> Sequence[str]:
    """Return the keys that choose a branch: the first it requires, or each one of which it wants one."""
    return own if "anyOf" in branch else own[:1]
