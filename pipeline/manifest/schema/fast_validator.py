"""Whether a manifest is valid, told quickly and without a reason; ``validate.py`` tells what is wrong.

jsonschema-rs decides after JSON Schema 2020-12. What TOML or our keywords see otherwise is brought into JSON first, or
left to the slow way: a "no" here only means that the slow way must look.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, datetime
from typing import Any

from jsonschema_rs import Draft202012Validator

from pipeline.manifest.schema.formats import FORMATS, TOML_DATES, UnfitError

MARKS: Mapping[type, Any] = {date: None, datetime: [None]}
"""What stands for TOML's own dates: TOML has no null, so no manifest can hold these."""

MARKED: Mapping[str, Mapping[str, Any]] = {
    "day": {"type": "null"},
    "moment": {"type": "array", "items": {"type": "null"}, "minItems": 1},
}
"""The schemas of the marks, by the formats that take TOML's own dates."""


class SlowError(Exception):
    """A value that only the slow way can judge."""


def checker(schema: Mapping[str, Any]) -> Callable[[Mapping[str, Any]], bool]:
    """Return a function that is true only for what is valid by ``keywords.py`` too."""
    validator = Draft202012Validator(
        _with_marks(schema), formats={name: _passes(check) for name, check in FORMATS.items()}, validate_formats=True
    )

    def is_valid(data: Mapping[str, Any]) -> bool:
        try:
            return validator.is_valid(data if _is_json(data) else _as_json(data))
        except SlowError:
            return False

    return is_valid


def _with_marks(schema: Any) -> Any:
    """Return a schema in which each format that takes TOML's dates takes their marks."""
    if isinstance(schema, list):
        return [_with_marks(inner) for inner in schema]
    if not isinstance(schema, Mapping):
        return schema
    if schema.get("format") in TOML_DATES and "type" in schema:
        return {"anyOf": [schema, MARKED[schema["format"]]]}
    return {key: _with_marks(inner) for key, inner in schema.items()}


def _is_json(values: Any) -> bool:
    """Whether JSON Schema sees all that a table or list holds as TOML does: quick to tell, and nearly always so."""
    for value in values.values() if type(values) is dict else values:
        kind = type(value)
        if kind is dict or kind is list:
            if not _is_json(value):
                return False
        elif not (kind is str or kind is bool or (kind is int and -(2**63) <= value < 2**63)):
            return False
    return True


def _as_json(value: Any) -> Any:
    """Return a TOML value with marks for dates; numbers with a fraction and beyond 64 bits are left to the slow way."""
    if isinstance(value, dict):
        return {key: _as_json(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [_as_json(inner) for inner in value]
    if isinstance(value, str) or (isinstance(value, int) and -(2**63) <= value < 2**63):
        return value
    if type(value) in MARKS and _passes(FORMATS["moment"])(value):
        return MARKS[type(value)]
    raise SlowError


def _passes(check: Callable[[object], None]) -> Callable[[object], bool]:
    def passes(value: object) -> bool:
        try:
            check(value)
        except UnfitError:
            return False
        return True

    return passes
