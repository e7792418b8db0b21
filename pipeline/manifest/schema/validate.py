"""One manifest against its schema: every problem, located."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from functools import cache
from itertools import islice
from typing import TYPE_CHECKING, Any

from pipeline.errors import Place, Problem
from pipeline.manifest.schema.messages import tell
from pipeline.manifest.text.limits import ENOUGH
from pipeline.manifest.text.positions import Part, Positions, spell
from pipeline.resources import SCHEMAS

if TYPE_CHECKING:
    from jsonschema.exceptions import ValidationError
    from jsonschema.protocols import Validator


def validate(kind: str, data: Mapping[str, Any], text: str, file: str) -> tuple[Problem, ...]:
    """Return what is wrong with the manifest of one kind ("board"), in the order of its lines; nothing when it is fine.

    After ``ENOUGH`` errors it is not looked at further.

    ``text`` is what ``data`` was read from; it is only looked at when there is something to report.
    """
    if is_valid(kind, data):
        return ()
    errors = list(islice(_validator(kind).iter_errors(data), ENOUGH))
    return tuple(sorted(set(_located(errors, text, file, schema(kind)["properties"])))) if errors else ()


def is_valid(kind: str, data: Mapping[str, Any]) -> bool:
    """Whether a manifest keeps the schema of its kind, told quickly; never true where ``validate`` finds something."""
    return _quick(kind)(data)


@cache
def schema(kind: str) -> Mapping[str, Any]:
    """Return the schema of a kind of manifest."""
    found: dict[str, Any] = json.loads((SCHEMAS / f"{kind}.schema.json").read_bytes())
    return found


@cache
def _quick(kind: str) -> Callable[[Mapping[str, Any]], bool]:
    from pipeline.manifest.schema.fast_validator import checker  # here too

    return checker(schema(kind))


@cache
def _validator(kind: str) -> Validator:
    from pipeline.manifest.schema.keywords import validator_for  # here, since jsonschema takes long to import

    return validator_for(schema(kind))


def _located(errors: list[ValidationError], text: str, file: str, top: Mapping[str, Any]) -> Iterator[Problem]:
    """Yield a problem for each path that has errors: the first of its errors, the others follow from it."""
    positions = Positions(text)
    seen: set[tuple[Part, ...]] = set()
    for error in errors:
        path = tuple(error.absolute_path)
        if path in seen:
            continue
        seen.add(path)
        telling = tell(error, positions.raw(path), top)
        spot = positions.spot(path)
        line, column = positions.line_and_column(spot.key if telling.at_key else spot.value)
        yield Problem(Place(file, line, column, spell(path)), telling.what, telling.hint)
