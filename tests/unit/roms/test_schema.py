"""The schema for titles and the table of operations name the same things."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from pipeline.roms.operations.operation import SLOT_NAMES, Operation
from pipeline.roms.operations.table import CHANGES, PIECES
from tests.unit.roms.workshop import plain

SCHEMA: dict[str, Any] = json.loads(Path("schemas/title.schema.json").read_text(encoding="utf-8"))["$defs"]
AROUND = {"then", "at", "over", "name"}
"""Keys of a piece's table that belong to the step or to the slot, not to the operation."""


def shape(schema: dict[str, Any]) -> dict[str, Any]:
    """Return a schema with its reference followed."""
    return SCHEMA[schema["$ref"].removeprefix("#/$defs/")] | schema if "$ref" in schema else schema


def tables(schema: dict[str, Any]) -> list[dict[str, Any]]:
    """Return every form of a change that is a table."""
    found = shape(schema)
    forms = [form for key in ("oneOf", "anyOf") for form in found.get(key, ()) if set(form) != {"required"}]
    return [found] if "properties" in found else [table for form in forms for table in tables(form)]


def agree(table: dict[str, Any], operation: Operation, around: set[str]) -> None:
    """Compare names, which of them are required, defaults and choices; ``around`` are keys that are no arguments."""
    properties: dict[str, Any] = table["properties"]
    arguments = {name: argument for name, argument in operation.arguments.items() if name != SLOT_NAMES}
    assert properties.keys() - around == arguments.keys()
    required = {name for name, argument in arguments.items() if argument.required}
    assert set(table.get("required", ())) - around == required
    for name, argument in arguments.items():
        found = shape(properties[name])
        assert plain(found.get("default")) == argument.default, name
        for value in found.get("enum", ()):
            assert argument.parse(value) == value
        for example in properties[name].get("examples", ()):
            assert argument.parse(plain(example)) is not None
        if "enum" in found:
            with pytest.raises(ValueError, match="is out of place"):
                argument.parse("something else")


def test_every_piece_is_in_the_schema() -> None:
    assert {name.removeprefix("piece-") for name in SCHEMA if name.startswith("piece-")} == set(PIECES)


@pytest.mark.parametrize("name", PIECES)
def test_a_piece_has_the_schemas_arguments(name: str) -> None:
    listed = {name} - PIECES[name].arguments.keys()
    agree(SCHEMA[f"piece-{name}"], PIECES[name], AROUND | listed)


def test_every_change_is_in_the_schema() -> None:
    assert set(SCHEMA["change"]["properties"]) == set(CHANGES)


@pytest.mark.parametrize("name", CHANGES)
def test_a_change_has_the_schemas_arguments(name: str) -> None:
    forms = tables(SCHEMA["change"]["properties"][name])
    for table in forms:
        agree(table, CHANGES[name], set())
    assert forms or CHANGES[name].main or not CHANGES[name].arguments
