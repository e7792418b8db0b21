"""Blanks: valid for editors, never a value, and filled in by ``doit pin`` where a file says what it is."""

from __future__ import annotations

import copy
import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from pipeline.commands.pin import Pin
from pipeline.errors import ManifestError
from pipeline.manifest.files import KINDS
from pipeline.manifest.load import load
from pipeline.manifest.schema.copies import schemas
from pipeline.manifest.schema.reference import all_keys
from pipeline.manifest.schema.validate import schema
from pipeline.manifest.text.blank import BLANK, blanks_in
from tests.support.cli import ROOT, within
from tests.support.small import CHIP_A, sha, small_project

EDITORS = {kind: json.loads(schemas()[f"{kind}.schema.json"]) for kind in KINDS}
MANIFESTS = [
    (kind, json.loads(json.dumps(tomllib.loads(path.read_text("utf-8")), default=str)))
    for kind in KINDS
    for path in sorted((ROOT / "inputs").glob(f"{kind}s/*.toml"))
]


def leaves(value: Any, path: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    """Return the path of every plain value."""
    if not isinstance(value, dict | list):
        return [path]
    pairs = value.items() if isinstance(value, dict) else enumerate(value)
    return [leaf for part, inner in pairs for leaf in leaves(inner, (*path, part))]


@given(st.sampled_from(MANIFESTS), st.data())
def test_a_manifest_with_blanks_passes_the_schemas_for_editors(case: tuple[str, Any], data: st.DataObject) -> None:
    kind, values = case[0], copy.deepcopy(case[1])
    wanted = data.draw(st.lists(st.sampled_from(leaves(values)), min_size=1, max_size=4, unique=True))
    for path in wanted:
        table = values
        for part in path[:-1]:
            table = table[part]
        table[path[-1]] = BLANK
    lists = [tuple(path[:-1]) for path in wanted if isinstance(path[-1], int)]
    assert set(blanks_in(values)) == set(wanted)
    if len(lists) == len(set(lists)):  # two blanks in one list of unlike items are two equal items
        assert list(Draft202012Validator(EDITORS[kind]).iter_errors(values)) == []


@given(st.sampled_from(MANIFESTS), st.data(), st.sampled_from([None, -5, 1, "", "x", "\n", [], {}, True]))
def test_without_blanks_an_editor_sees_what_the_program_sees(
    case: tuple[str, Any], data: st.DataObject, odd: Any
) -> None:
    kind, values = case[0], copy.deepcopy(case[1])
    *above, last = data.draw(st.sampled_from(leaves(values)))
    table = values
    for part in above:
        table = table[part]
    table[last] = odd
    assert Draft202012Validator(schema(kind)).is_valid(values) == Draft202012Validator(EDITORS[kind]).is_valid(values)


@pytest.mark.parametrize("kind", KINDS)
def test_the_schemas_for_editors_explain_the_same_keys(kind: str) -> None:
    Draft202012Validator.check_schema(EDITORS[kind])
    for own, editor in zip(all_keys(schema(kind)), all_keys(EDITORS[kind]), strict=True):
        assert (own.name, own.type, own.description, own.example) == (
            editor.name, editor.type, editor.description, editor.example,
        )  # fmt: skip


def test_nothing_is_built_over_a_blank(tmp_path: Path) -> None:
    small_project(tmp_path)
    path = tmp_path / "inputs" / "cores" / "fern.toml"
    path.write_text(path.read_text("utf-8").replace('"Fern"', f'"{BLANK}"'), "utf-8")
    with pytest.raises(ManifestError) as caught:
        load(tmp_path / "inputs", tmp_path)
    assert str(caught.value) == (
        'inputs/cores/fern.toml:1:8: name: still to be filled in; expected one line of text such as "Glimmer"\n'
        "  hint: doit keys core.name explains it"
    )


def test_pin_fills_in_blanks_without_being_told_to_replace(tmp_path: Path) -> None:
    small_project(tmp_path)
    path = tmp_path / "inputs" / "titles" / "snail-race.toml"
    own = path.read_text("utf-8")
    path.write_text(own.replace(sha(CHIP_A), BLANK).replace('"1 KiB"', f'"{BLANK}"', 1), "utf-8")
    (tmp_path / "a1.bin").write_bytes(CHIP_A)
    ran = within(tmp_path, Pin, "title:snail-race", "chips.a1", "a1.bin")
    assert (ran.code, ran.err) == (0, "")
    assert path.read_text("utf-8") == own
