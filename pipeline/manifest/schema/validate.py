"""One manifest against its schema: every problem, located."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from functools import cache
from itertools import islice
from typing import Any

from pipeline.errors import Place, Problem
from pipeline.manifest.schema.errors import Checker, SchemaError
from pipeline.manifest.schema.messages import message
from pipeline.manifest.text.limits import ENOUGH
from pipeline.manifest.text.positions import Positions, spell
from pipeline.resources import SCHEMAS


def validate(kind: str, data: Mapping[str, Any], text: str, file: str) -> tuple[Problem, ...]:
    """Return what is wrong with the manifest of one kind ("board"), in the order of its lines; nothing when it is fine.

    After ``ENOUGH`` errors it is not looked at further. ``text`` is what ``data`` was read from; it is only looked at
    when there is something to report.
    """
    errors = list(islice(_checker(kind).errors(data), ENOUGH))
    return tuple(sorted(set(_located(errors, text, file, schema(kind)["properties"])))) if errors else ()


@cache
def schema(kind: str) -> Mapping[str, Any]:
    """Return the schema of a kind of manifest."""
    found: dict[str, Any] = json.loads((SCHEMAS / f"{kind}.schema.json").read_bytes())
    return found


@cache
def _checker(kind: str) -> Checker:
    return Checker(schema(kind))


def _located(errors: list[SchemaError], text: str, file: str, top: Mapping[str, Any]) -> Iterator[Problem]:
    """Yield the problem of each error."""
    positions = Positions(text)
    for error in errors:
        answer = message(error, positions.raw(error.path), top)
        spot = positions.spot(error.path)
        line, column = positions.line_and_column(spot.key if answer.at_key else spot.value)
        yield Problem(Place(file, line, column, spell(error.path)), answer.what, answer.hint)
