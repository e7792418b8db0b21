"""The message of each error of ``errors.py``: the value found, the value expected, and what to type."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.manifest.schema.errors import SchemaError
from pipeline.manifest.schema.formats import control_hint
from pipeline.model.text import LONGEST, counted, did_you_mean, nearest, quote, quoted, shorten, shown
from pipeline.model.units import UNITS, size_hint

SHOWN_KEYS = 12
"""Known keys that a hint lists."""

BARE = {"integer": re.compile("[0-9]{1,19}|0x[0-9A-Fa-f]{1,16}"), "boolean": re.compile("true|false")}
"""What a value of a type looks like in TOML, where it is easily put in quotes."""


@dataclass(frozen=True, slots=True)
class Message:
    """What a problem says. ``at_key``: it points at the key and not at its value."""

    what: str
    hint: str = ""
    at_key: bool = False


@dataclass(frozen=True, slots=True)
class Context:
    """One error and what its message needs: the value as it is written, and the manifest's top keys."""

    error: SchemaError
    raw: str
    top: Mapping[str, Any]

    @property
    def schema(self) -> Mapping[str, Any]:
        """The schema the value does not meet."""
        return self.error.schema

    @property
    def found(self) -> str:
        """The value, shortened; of a list or table, what it is."""
        value = self.value
        if isinstance(value, list):
            return f"a list of {len(value)}" if value else "an empty list"
        if isinstance(value, dict):
            return "a table" if value else "an empty table"
        return shorten(shown(self.raw if "\n" not in self.raw else json.dumps(value, ensure_ascii=False, default=str)))

    @property
    def value(self) -> Any:
        """The value itself; of a name that is not fit, the name."""
        return self.error.value

    @property
    def names(self) -> Sequence[str]:
        """The keys an error is about, where it is about some."""
        return self.error.names

    @property
    def key(self) -> str:
        """The key itself, without the way to it."""
        return str(self.error.path[-1]) if self.error.path else ""


def message(error: SchemaError, raw: str, top: Mapping[str, Any]) -> Message:
    """Return the message of an error."""
    return MESSAGES.get(error.keyword, _plain)(Context(error, raw, top))


def expected(schema: Mapping[str, Any]) -> str:
    """Return in plain words what a schema asks for, with an example where a short one is given."""
    if all(isinstance(value, str) for value in schema.get("enum", [0])):
        return quoted(schema["enum"])
    title: str = schema["title"]
    if schema.get("type") == "object" and "table" not in title:
        title = f"a table for {title}"
    examples = [json.dumps(value, ensure_ascii=False) for value in schema.get("examples", ()) if isinstance(value, str)]
    return f"{title} such as {examples[0]}" if examples and len(examples[0]) <= LONGEST else title


def _plain(error: Context) -> Message:
    return Message(f"found {error.found}, expected {expected(error.schema)}")


def _type(error: Context) -> Message:
    types = error.schema["type"]
    short = len(error.raw) <= LONGEST and "\n" not in error.raw
    hint = ""
    if types == "string" and isinstance(error.value, bool | int | float):
        hint = "put it in quotes" + (f': "{error.raw}"' if short else "")
    elif types == "array":
        hint = "put it in square brackets" + (f": [{error.raw}]" if short and not error.raw.startswith("[") else "")
    elif isinstance(error.value, str) and (bare := BARE.get(str(types))) and bare.fullmatch(error.value):
        hint = f"write it without quotes: {error.value}"
    return Message(f"found {error.found}, expected {expected(error.schema)}", hint)


def _enum(error: Context) -> Message:
    hint = did_you_mean(str(error.value), [str(value) for value in error.schema["enum"]])
    return Message(f"found {error.found}, expected {expected(error.schema)}", hint)


def _pattern(error: Context) -> Message:
    hint = control_hint(error.value)
    if not hint and error.schema.get("format", "").startswith("size"):
        hint = size_hint(error.value, [unit for unit in UNITS if re.search(error.schema["pattern"], f"1 {unit}")])
    return Message(f"found {error.found}, expected {expected(error.schema)}", hint)


def _length(error: Context) -> Message:
    return Message(f"found {counted(len(error.value), 'digit')}, expected {error.schema['title']}")


def _format(error: Context) -> Message:
    cause = error.error.cause
    if cause is None:
        return _plain(error)
    return Message(f"found {error.found}, expected {cause.expected}", cause.hint)


def _required(error: Context) -> Message:
    return Message(f"found nothing, expected {expected(error.schema)}")


def _unknown(error: Context) -> Message:
    known = error.names
    what = f"{quote(error.key)} is not a key here"
    if error.key in error.top and len(error.error.path) > 1:
        return Message(what, "it is a key of the whole manifest: move it above the first [table] head", True)
    near = nearest(error.key, known)
    if near:
        return Message(f'{what}; did you mean "{near}"?', "", True)
    more = ", ..." if len(known) > SHOWN_KEYS else ""
    return Message(what, f"the keys here are {', '.join(known[:SHOWN_KEYS])}{more}", True)


def _name(error: Context) -> Message:
    return Message(
        f"found the name {quote(error.value)}, expected {expected(error.schema)}", control_hint(error.value), True
    )


def _twice(error: Context) -> Message:
    return Message(f"found {error.found} a second time, expected once", "take one of them out")


def _apart(error: Context) -> Message:
    return Message(f"{quote(error.key)} does not go with {quoted(error.names, 'and')}", "", True)


def _several(error: Context) -> Message:
    return Message(f"found {quoted(error.names, 'and')}, which exclude each other; expected only one")


def _none(error: Context) -> Message:
    return Message(f"found none of {quoted(error.names)}, expected one of them")


def _any_of(error: Context) -> Message:
    keys = [key for branch in error.schema["anyOf"] for key in branch["required"]]
    return Message(f"found none of {quoted(keys)}, expected one of them")


MESSAGES: Mapping[str, Callable[[Context], Message]] = {
    "type": _type,
    "enum": _enum,
    "pattern": _pattern,
    "minLength": _length,
    "maxLength": _length,
    "format": _format,
    "required": _required,
    "unknown": _unknown,
    "name": _name,
    "twice": _twice,
    "apart": _apart,
    "several": _several,
    "none": _none,
    "anyOf": _any_of,
}
