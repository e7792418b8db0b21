"""How the errors of ``keywords.py`` are told: the value found, the value expected, and what to type."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pipeline.manifest.schema.formats import UnfitError, control_hint
from pipeline.model.text import LONGEST, counted, did_you_mean, nearest, quote, quoted, shorten, shown

if TYPE_CHECKING:
    from jsonschema.exceptions import ValidationError  # takes long to import, and telling needs only its values

SHOWN_KEYS = 12
"""Known keys that a hint lists."""

BARE = {"integer": re.compile("[0-9]{1,19}|0x[0-9A-Fa-f]{1,16}"), "boolean": re.compile("true|false")}
"""What a value of a type looks like in TOML, where it is easily put in quotes."""


@dataclass(frozen=True, slots=True)
class Telling:
    """What a problem says. ``at_key``: it points at the key and not at its value."""

    what: str
    hint: str = ""
    at_key: bool = False


@dataclass(frozen=True, slots=True)
class Case:
    """One error and what is needed to tell it: the value as it is written, and the manifest's top keys."""

    error: ValidationError
    raw: str
    top: Mapping[str, Any]

    @property
    def schema(self) -> Mapping[str, Any]:
        """The schema the value does not meet."""
        schema = self.error.schema
        return schema if isinstance(schema, Mapping) else {}

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
        return self.error.instance

    @property
    def names(self) -> Sequence[str]:
        """The keys an error is about, where it is about some."""
        names: Any = self.error.validator_value
        return tuple(names)

    @property
    def key(self) -> str:
        """The key itself, without the way to it."""
        return str(self.error.path[-1]) if self.error.path else ""


def tell(error: ValidationError, raw: str, top: Mapping[str, Any]) -> Telling:
    """Return how one error is told."""
    case = Case(error, raw, top)
    return TELLERS.get(str(error.validator), _other)(case)


def expected(schema: Mapping[str, Any]) -> str:
    """Return in plain words what a schema asks for, with an example where a short one is given."""
    if all(isinstance(value, str) for value in schema.get("enum", [0])):
        return quoted(schema["enum"])
    title: str = schema["title"]
    if schema.get("type") == "object" and "table" not in title:
        title = f"a table for {title}"
    examples = [json.dumps(value, ensure_ascii=False) for value in schema.get("examples", ()) if isinstance(value, str)]
    return f"{title} such as {examples[0]}" if examples and len(examples[0]) <= LONGEST else title


def _other(case: Case) -> Telling:
    return Telling(f"found {case.found}, expected {expected(case.schema)}")


def _type(case: Case) -> Telling:
    types = case.schema["type"]
    short = len(case.raw) <= LONGEST and "\n" not in case.raw
    hint = ""
    if types == "string" and isinstance(case.value, bool | int | float):
        hint = "put it in quotes" + (f': "{case.raw}"' if short else "")
    elif types == "array" and not isinstance(case.value, dict):
        hint = "put it in square brackets" + (f": [{case.raw}]" if short else "")
    elif isinstance(case.value, str) and (bare := BARE.get(str(types))) and bare.fullmatch(case.value):
        hint = f"write it without quotes: {case.value}"
    return Telling(f"found {case.found}, expected {expected(case.schema)}", hint)


def _enum(case: Case) -> Telling:
    hint = did_you_mean(str(case.value), [str(value) for value in case.schema["enum"]])
    return Telling(f"found {case.found}, expected {expected(case.schema)}", hint)


def _pattern(case: Case) -> Telling:
    return Telling(f"found {case.found}, expected {expected(case.schema)}", control_hint(case.value))


def _length(case: Case) -> Telling:
    return Telling(f"found {counted(len(case.value), 'digit')}, expected {case.schema['title']}")


def _format(case: Case) -> Telling:
    cause = case.error.cause
    if not isinstance(cause, UnfitError):
        return _other(case)
    return Telling(f"found {case.found}, expected {cause.expected}", cause.hint)


def _required(case: Case) -> Telling:
    return Telling(f"found nothing, expected {expected(case.schema)}")


def _unknown(case: Case) -> Telling:
    known = case.names
    what = f"{quote(case.key)} is not a key here"
    if case.key in case.top and len(case.error.absolute_path) > 1:
        return Telling(what, "it is a key of the whole manifest: move it above the first [table] head", True)
    near = nearest(case.key, known)
    if near:
        return Telling(f'{what}; did you mean "{near}"?', "", True)
    more = ", ..." if len(known) > SHOWN_KEYS else ""
    return Telling(what, f"the keys here are {', '.join(known[:SHOWN_KEYS])}{more}", True)


def _name(case: Case) -> Telling:
    return Telling(
        f"found the name {quote(case.value)}, expected {expected(case.schema)}", control_hint(case.value), True
    )


def _twice(case: Case) -> Telling:
    return Telling(f"found {case.found} a second time, expected it once", "take one of them out")


def _apart(case: Case) -> Telling:
    return Telling(f"{quote(case.key)} does not go with {quoted(case.names, 'and')}", "", True)


def _several(case: Case) -> Telling:
    return Telling(f"found {quoted(case.names, 'and')}, which exclude each other; expected only one")


def _none(case: Case) -> Telling:
    return Telling(f"found none of {quoted(case.names)}, expected one of them")


def _any_of(case: Case) -> Telling:
    keys = [key for branch in case.schema["anyOf"] for key in branch["required"]]
    return Telling(f"found none of {quoted(keys)}, expected one of them")


TELLERS: Mapping[str, Callable[[Case], Telling]] = {
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
