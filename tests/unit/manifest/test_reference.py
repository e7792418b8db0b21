"""The reference of keys: complete, true to the schemas, and told alike on the terminal and on the page."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from pipeline.commands.keys import Keys
from pipeline.manifest.files import KINDS
from pipeline.manifest.schema.errors import Checker
from pipeline.manifest.schema.reference import NAME, KeyReference, Schema, all_keys, key_at
from pipeline.manifest.schema.reference_text import example_lines, page
from pipeline.manifest.schema.validate import schema
from tests.support.cli import ROOT, within

KEYS = [(kind, key) for kind in KINDS for key in all_keys(schema(kind))]
each_key = pytest.mark.parametrize(("kind", "key"), KEYS, ids=[f"{kind}.{key.name}" for kind, key in KEYS])


def named_of(value: Any) -> Iterator[tuple[str, Schema]]:
    """Yield every property of a schema, with its name, wherever it is; not those that are forbidden there."""
    if isinstance(value, dict):
        properties = value.get("properties", {})
        yield from ((name, inner) for name, inner in properties.items() if inner.get("not") != {})
        for inner in value.values():
            yield from named_of(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from named_of(inner)


@each_key
def test_every_key_has_title_description_and_example(kind: str, key: KeyReference) -> None:
    assert key.type
    assert key.description.endswith(".")
    assert key.example is not None
    assert key.schema.get("title") or "$ref" in key.schema


@each_key
def test_every_example_and_default_is_one_that_the_schema_takes(kind: str, key: KeyReference) -> None:
    """By the standard's own validator (JSON Schema 2020-12) and by ours, which knows the formats."""
    alone = {**key.schema, "$defs": schema(kind)["$defs"]}
    for value in (key.example, *([] if key.default is None else [key.default])):
        assert list(Draft202012Validator(alone).iter_errors(value)) == []
        assert list(Checker(alone).errors(value)) == []


@each_key
def test_every_example_is_toml_that_says_the_same(kind: str, key: KeyReference) -> None:
    data = tomllib.loads("\n".join(example_lines(key)))
    if "\n" in "\n".join(example_lines(key)):
        for part in key.path:
            data = data[part][0] if isinstance(data[part], list) else data[part]
        assert data == (key.example[0] if isinstance(key.example, list) else key.example)
    else:
        assert data == {key.path[-1]: key.example}


@pytest.mark.parametrize("kind", KINDS)
def test_no_key_of_a_schema_is_left_out(kind: str) -> None:
    listed = {json.dumps([key.path[-1], key.schema]) for key in all_keys(schema(kind))}
    named = {json.dumps([name, inner]) for name, inner in named_of(schema(kind))}
    same = {json.loads(text)[0] for text in listed}  # a key of several forms is listed once
    assert {text for text in named - listed if json.loads(text)[0] not in same} == set()
    assert {json.loads(text)[0] for text in listed} - {NAME} == {json.loads(text)[0] for text in named}


def test_the_page_is_made_from_the_schemas() -> None:
    made = page({kind: schema(kind) for kind in KINDS})
    assert (ROOT / "schemas" / "README.md").read_text("utf-8") == made, "doit keys --markdown > schemas/README.md"


def test_a_name_that_people_choose_may_stand_in_a_key_or_be_left_out() -> None:
    for path in ("chips.4t.size", "chips.NAME.size", "chips.size"):
        assert key_at(schema("title"), path.split(".")).name == "chips.NAME.size"
    assert key_at(schema("title"), ["chips", "4t"]).name == "chips.NAME"


def test_the_kinds_are_listed(tmp_path: Path) -> None:
    ran = within(tmp_path, Keys)
    assert (ran.code, ran.err) == (0, "")
    assert [line.split()[0] for line in ran.out.splitlines()] == [*KINDS, "doit"]
    assert json.loads(within(tmp_path, Keys, "--json").out)["kinds"].keys() == set(KINDS)


def test_the_keys_of_a_kind_are_listed_a_line_each(tmp_path: Path) -> None:
    ran = within(tmp_path, Keys, "sources")
    assert (ran.code, ran.err) == (0, "")
    lines = ran.out.splitlines()
    assert lines[0] == "Sources: where to look for source files. * is required."
    assert [line.split()[0] for line in lines[1:-1]] == [
        "places", "limits", "limits.entries", "limits.member", "limits.total", "limits.ratio",
    ]  # fmt: skip
    assert lines[-1] == "doit keys sources.KEY explains a key"
    document = json.loads(within(tmp_path, Keys, "core", "--json").out)
    assert [key["key"] for key in document["keys"]] == [key.name for key in all_keys(schema("core"))]


def test_a_key_is_explained(tmp_path: Path) -> None:
    ran = within(tmp_path, Keys, "core.titles.names")
    assert (ran.code, ran.err) == (0, "")
    assert ran.out == (
        "core.titles.names\n"
        f"  {schema('core')['properties']['titles']['properties']['names']['description']}\n"
        "  type      a kind of names\n"
        "  values    short, long\n"
        '  default   "long"\n'
        "  required  no\n"
        '  example   names = "short"\n'
    )
    assert json.loads(within(tmp_path, Keys, "core.titles.names", "--json").out)["default"] == "long"


def test_a_key_of_one_form_says_so_and_a_table_lists_its_keys(tmp_path: Path) -> None:
    assert "  only in   a file below the inputs\n" in within(tmp_path, Keys, "card.files.from").out
    assert "\n            needs.outputs " in within(tmp_path, Keys, "core.needs").out


@pytest.mark.parametrize(
    ("word", "told"),
    [
        ("croe", 'found "croe", expected a kind of manifest\n  hint: did you mean "core"?\n'),
        ("x", f'found "x", expected a kind of manifest\n  hint: the kinds are {", ".join(KINDS)}\n'),
        ("title.rom.stps", '"stps" is not a key of title.rom\n  hint: did you mean "steps"?\n'),
        ("title.rom.path.x", '"x" is not a key of title.rom.path\n'),
        ("title.qqq", '"qqq" is not a key of title\n  hint: doit keys title lists them\n'),
    ],
)
def test_a_key_that_there_is_not_is_told_with_the_nearest(word: str, told: str, tmp_path: Path) -> None:
    ran = within(tmp_path, Keys, word)
    assert (ran.code, ran.out, ran.err) == (2, "", told)
