"""The schema for titles and the table of operations say the same."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from pipeline.roms.operations.operation import SLOT_NAMES, Operation
from pipeline.roms.operations.table import CHANGES, PIECES
from pipeline.roms.schema import definitions, json_text, with_operations
from tests.unit.roms.workshop import plain

SCHEMAS = Path(__file__).parents[3] / "schemas"
FILE = SCHEMAS / "title.schema.json"


@pytest.mark.parametrize("kind", ["core", "title"])
def test_the_file_holds_what_the_table_says(kind: str) -> None:
    """When it does not: python schemas/make.py."""
    text = (SCHEMAS / f"{kind}.schema.json").read_text(encoding="utf-8")
    assert with_operations(text) == text
    defined = json.loads(text)["$defs"]
    assert {name: defined[name] for name in definitions()} == definitions()
    assert [*defined][-len(definitions()) :] == [*definitions()]


def test_what_is_written_by_hand_stays() -> None:
    assert with_operations('{\n  "$defs": {\n    "word": {},\n    "step": {old').startswith(
        '{\n  "$defs": {\n    "word": {},\n    "step": {\n      "title": "a step",\n'
    )


@pytest.mark.parametrize("operation", [*PIECES.values(), *CHANGES.values()], ids=lambda operation: operation.name)
def test_an_argument_reads_its_own_examples_and_choices(operation: Operation) -> None:
    for name, argument in operation.arguments.items():
        if name == SLOT_NAMES:
            continue
        assert argument.description.endswith("."), name
        assert argument.parse(plain(argument.example)) is not None, name
        choices: Any = argument.schema.get("enum", ())
        assert [argument.parse(value) for value in choices] == list(choices)
        if choices:
            with pytest.raises(ValueError, match="is out of place"):
                argument.parse("something else")


def test_json_is_written_in_one_line_where_it_fits() -> None:
    """Python's own reader takes it back."""
    value = {"short": [1, 2], "long": [{"text": "x" * 50}, {"text": "y" * 60}], "word": "ä", "nothing": {}}
    text = json_text(value)
    assert json.loads(text) == value
    assert text.splitlines()[1] == '  "short": [1, 2],'
    assert max(map(len, text.splitlines())) < 120
