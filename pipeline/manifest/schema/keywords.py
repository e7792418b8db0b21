"""JSON Schema keywords as the manifests need them: the standard's meaning, with errors that can be told plainly.

What is valid stays what the standard says (JSON Schema 2020-12), with these differences: TOML's own dates and times
pass where the format asks for them; 2.0 is no whole number; ``$`` in a pattern is the end of the text, not of its
last line; the formats of ``formats.py`` are checked.

Errors point at the key that is meant: an unknown key, a missing key, the second of two equal items.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date, datetime
from typing import Any

from jsonschema import Draft202012Validator
from jsonschema.exceptions import ValidationError
from jsonschema.protocols import Validator
from jsonschema.validators import extend
from referencing import Registry

from pipeline.manifest.schema.formats import FORMATS, TOML_DATES, UnfitError

Schema = Mapping[str, Any]
Errors = Iterator[ValidationError]


def validator_for(schema: Schema) -> Validator:
    """Return a validator of one schema, which refers to nothing outside itself; nothing is ever fetched."""

    def keyed_one_of(validator: Any, branches: Sequence[Schema], instance: Any, _: Schema) -> Errors:
        return _one_of(validator, branches, instance, schema)

    def required(validator: Any, names: Sequence[str], instance: Any, table: Schema) -> Errors:
        return _required(names, instance, table, schema)

    def reference(validator: Any, name: str, instance: Any, _: Schema) -> Errors:
        yield from validator.descend(instance, schema["$defs"][name.removeprefix("#/$defs/")])

    keywords: dict[str, Callable[..., Errors]] = {
        "$ref": reference,
        "type": _type,
        "pattern": _pattern,
        "format": _format,
        "required": required,
        "additionalProperties": _additional_properties,
        "propertyNames": _property_names,
        "uniqueItems": _unique_items,
        "oneOf": keyed_one_of,
    }
    checker = Draft202012Validator.TYPE_CHECKER.redefine(
        "integer", lambda _, value: isinstance(value, int) and not isinstance(value, bool)
    )
    kind: type[Validator] = extend(  # type: ignore[no-untyped-call]  # the stubs leave its arguments out
        Draft202012Validator, keywords, type_checker=checker
    )
    return kind(schema, registry=Registry())


def resolved(root: Schema, schema: Schema) -> Schema:
    """Return a schema with its reference into ``$defs`` followed; keys beside the reference win."""
    while "$ref" in schema:
        beside = {key: value for key, value in schema.items() if key not in ("$ref", "title")}
        schema = {**root["$defs"][schema["$ref"].removeprefix("#/$defs/")], **beside}
    return schema


def _type(validator: Any, types: str | list[str], instance: Any, schema: Schema) -> Errors:
    wanted = TOML_DATES.get(schema.get("format", ""), ())
    if isinstance(instance, wanted) and (wanted is not date or not isinstance(instance, datetime)):
        return
    if not any(validator.is_type(instance, name) for name in ([types] if isinstance(types, str) else types)):
        yield ValidationError("type")


def _pattern(_: Any, pattern: str, instance: Any, __: Schema) -> Errors:
    if isinstance(instance, str) and not _matches(pattern, instance):
        yield ValidationError("pattern")


def _matches(pattern: str, text: str) -> bool:
    return re.search(re.sub(r"\$$", r"\\Z", pattern), text) is not None


def _format(_: Any, name: str, instance: Any, schema: Schema) -> Errors:
    if isinstance(instance, str) and "pattern" in schema and not _matches(schema["pattern"], instance):
        return  # told by the pattern
    try:
        FORMATS[name](instance)
    except UnfitError as error:
        yield ValidationError("format", cause=error)


def _required(names: Sequence[str], instance: Any, table: Schema, root: Schema) -> Errors:
    """Report each missing key at its own path, with the key's schema."""
    if not isinstance(instance, dict):
        return
    for name in names:
        if name not in instance:
            wanted = resolved(root, table.get("properties", {}).get(name, {}))
            yield ValidationError("required", path=[name], schema=dict(wanted))


def _additional_properties(validator: Any, allowed: Any, instance: Any, schema: Schema) -> Errors:
    """Report each unknown key at its own path; where any key is allowed, check its value."""
    if not isinstance(instance, dict):
        return
    known = schema.get("properties", {})
    for name in instance:
        if name in known:
            continue
        if allowed is False:
            yield _unknown_key(name, known)
        else:
            yield from validator.descend(instance[name], allowed, path=name)


def _unknown_key(name: str, known: Mapping[str, Any]) -> ValidationError:
    return ValidationError("unknown", validator="unknown", validator_value=tuple(known), path=[name])


def _property_names(validator: Any, names: Schema, instance: Any, _: Schema) -> Errors:
    if not isinstance(instance, dict):
        return
    for name in instance:
        for error in validator.descend(name, names):
            yield ValidationError("name", validator="name", path=[name], instance=name, schema=error.schema)
            break


def _unique_items(_: Any, wanted: bool, instance: Any, __: Schema) -> Errors:
    if not wanted or not isinstance(instance, list):
        return
    seen: set[str] = set()
    for index, item in enumerate(instance):
        if repr(item) in seen:
            yield ValidationError("twice", validator="twice", path=[index], instance=item)
        seen.add(repr(item))


def _one_of(validator: Any, branches: Sequence[Schema], instance: Any, root: Schema) -> Errors:
    """Check against the one branch that is meant, so that a wrong argument gives one error and not one a branch.

    Of tables, it is the branch of whose own required keys one is present; failing that, of whose own keys one is
    present. A key is a branch's own when no other branch has it.
    """
    known = [(index, resolved(root, branch)) for index, branch in enumerate(branches)]
    known = [(index, branch) for index, branch in known if validator.is_type(instance, branch["type"])]
    if len(known) == 1:
        yield from validator.descend(instance, known[0][1], schema_path=known[0][0])
    if len(known) < 2:
        return
    required = _own([_required_keys(branch) for _, branch in known])
    everything = [list(branch["properties"]) for _, branch in known]
    meant = _meant(required, instance) or _meant(_own(everything), instance)
    if len(meant) == 1:
        index, branch = known[meant[0]]
        for error in validator.descend(instance, branch, schema_path=index):
            yield _explained(error, everything, [key for key in required[meant[0]] if key in instance])
    else:
        yield from _no_branch([branch for _, branch in known], everything, instance)


def _required_keys(schema: Schema) -> list[str]:
    return [*schema.get("required", ()), *(key for other in schema.get("anyOf", ()) for key in other["required"])]


def _own(keys: Sequence[Sequence[str]]) -> list[list[str]]:
    """Return, of each branch's keys, those that no other branch has."""
    counts = Counter(key for branch in keys for key in set(branch))
    return [[key for key in branch if counts[key] == 1] for branch in keys]


def _meant(own: Sequence[Sequence[str]], instance: Mapping[str, Any]) -> list[int]:
    return [index for index, keys in enumerate(own) if any(key in instance for key in keys)]


def _explained(error: ValidationError, everything: Sequence[list[str]], present: list[str]) -> ValidationError:
    """Return the error, or a better one when the unknown key it reports belongs to another branch."""
    if error.validator != "unknown" or len(error.path) != 1 or not any(error.path[0] in keys for keys in everything):
        return error
    return ValidationError("apart", validator="apart", validator_value=present, path=error.path)


def _no_branch(branches: Sequence[Schema], everything: Sequence[list[str]], instance: Mapping[str, Any]) -> Errors:
    """Report why no branch is meant: keys of several are there, or an unknown key in their place, or none."""
    known = list(dict.fromkeys(key for keys in everything for key in keys))
    own = _own([_required_keys(branch) for branch in branches])
    present = [name for name in instance if any(name in keys for keys in own)]
    unknown = [name for name in instance if name not in known]
    for name in unknown:
        yield _unknown_key(name, dict.fromkeys(known))
    if present:
        yield ValidationError("several", validator="several", validator_value=present)
    elif not unknown:
        choices = [key for keys, branch in zip(own, branches, strict=True) for key in _choices(keys, branch)]
        yield ValidationError("none", validator="none", validator_value=choices)


def _choices(own: Sequence[str], branch: Schema) -> Sequence[str]:
    """Return the keys that choose a branch: the first it requires, or each one of which it wants one."""
    return own if "anyOf" in branch else own[:1]
