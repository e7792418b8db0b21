"""The schemas by themselves: sound, complete for editors, and the same thing to any validator."""

from __future__ import annotations

import copy
import json
import tomllib
from collections.abc import Callable, Iterator
from datetime import date, datetime, time, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator, FormatChecker

from pipeline.manifest.schema.errors import Checker, resolved
from pipeline.manifest.schema.formats import FORMATS, UnfitError
from pipeline.manifest.schema.validate import schema

ROOT = Path(__file__).parents[3]
KINDS = ("board", "core", "title", "card", "station", "sources")
MANIFESTS = {
    path: "sources" if path.stem.startswith("sources") else path.parent.name.removesuffix("s")
    for folder in (ROOT / "inputs", ROOT / "tests/cases/base", ROOT / "tests/cases/accept")
    for path in sorted(folder.glob("**/*.toml"))
}


CHECKERS = {kind: Checker(schema(kind)) for kind in KINDS}


def nodes(value: Any, way: str = "") -> Iterator[tuple[str, Any]]:
    """Yield every part of a schema with the way to it."""
    yield way, value
    pairs = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for part, inner in pairs:
        yield from nodes(inner, f"{way}/{part}")


def properties(kind: str) -> Iterator[tuple[str, Any]]:
    """Yield every property of every table of a schema; a condition only says which of them must be there."""
    for way, node in nodes(schema(kind)):
        if way.endswith("/properties") and "/else/" not in way:
            for name, inner in node.items():
                yield f"{way}/{name}", inner


def stranger(kind: str) -> Draft202012Validator:
    """Return the standard's validator as it comes, told only what our formats are."""
    checker = FormatChecker(formats=())
    for name, check in FORMATS.items():
        checker.checks(name, UnfitError)(_true(check))
    return Draft202012Validator(schema(kind), format_checker=checker)


def _true(check: Callable[[object], None]) -> Callable[[object], bool]:
    def passes(value: object) -> bool:
        check(value)
        return True

    return passes


@pytest.mark.parametrize("kind", KINDS)
def test_a_schema_is_one_by_the_metaschema(kind: str) -> None:
    """JSON Schema 2020-12, https://json-schema.org/draft/2020-12/schema, as the jsonschema package carries it."""
    Draft202012Validator.check_schema(schema(kind))
    assert schema(kind)["$schema"] == Draft202012Validator.META_SCHEMA["$id"]
    assert schema(kind)["$id"] == f"urn:cardkiln:schema:{kind}:1"


@pytest.mark.parametrize("kind", KINDS)
def test_a_schema_stands_alone(kind: str) -> None:
    """Editors follow references inside a file; those between files and identifiers are not resolved by all."""
    references = {node["$ref"] for _, node in nodes(schema(kind)) if isinstance(node, dict) and "$ref" in node}
    assert references == {f"#/$defs/{name}" for name in schema(kind)["$defs"]}


def test_what_several_schemas_define_is_the_same_in_all() -> None:
    own = {"own-path", "own-folder", "own-line"}  # a core's may have fields
    seen: dict[str, Any] = {}
    for kind in KINDS:
        for name, node in schema(kind)["$defs"].items():
            assert name in own or seen.setdefault(name, node) == node, name


@pytest.mark.parametrize("kind", KINDS)
def test_every_table_is_closed_or_a_map_of_named_things(kind: str) -> None:
    for way, node in nodes(schema(kind)):
        if isinstance(node, dict) and node.get("type") == "object" and "oneOf" not in node:
            closed = node.get("additionalProperties") is False
            assert closed or ("propertyNames" in node and "properties" not in node), way


@pytest.mark.parametrize("kind", KINDS)
def test_editors_can_explain_every_key(kind: str) -> None:
    for way, node in properties(kind):
        whole = resolved(schema(kind), node)
        if "not" not in whole:
            assert whole["title"], way
            assert whole["description"], way
            assert "examples" in whole or whole.get("type") in ("array", "boolean"), way


@pytest.mark.parametrize("kind", KINDS)
def test_what_can_be_wrong_says_what_was_expected(kind: str) -> None:
    told = {"type", "enum", "pattern", "minimum", "maximum", "minItems", "maxItems", "maxProperties", "const", "format"}
    for way, node in nodes(schema(kind)):
        if isinstance(node, dict) and told & node.keys() and not way.endswith("/properties"):
            assert isinstance(node.get("title"), str) or "/anyOf/" in way, way


@pytest.mark.parametrize("kind", KINDS)
def test_defaults_and_examples_are_themselves_valid(kind: str) -> None:
    for way, node in nodes(schema(kind)):
        if isinstance(node, dict) and ("$ref" in node or "type" in node) and not way.endswith("/properties"):
            part = Checker({"$defs": schema(kind)["$defs"], "allOf": [node]})
            for value in [*node.get("examples", ()), *([node["default"]] if "default" in node else ())]:
                assert list(part.errors(value)) == [], (way, value)


@pytest.mark.parametrize("kind", KINDS)
def test_every_format_is_one_we_check(kind: str) -> None:
    assert {node["format"] for _, node in nodes(schema(kind)) if isinstance(node, dict) and "format" in node} <= set(
        FORMATS
    )


@pytest.mark.parametrize("path", MANIFESTS, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_any_validator_takes_our_manifests(path: Path) -> None:
    data = plain(tomllib.loads(path.read_text("utf-8")))
    assert list(stranger(MANIFESTS[path]).iter_errors(data)) == []


def plain(value: Any) -> Any:
    """Return a TOML value as JSON has it: dates as text."""
    return json.loads(json.dumps(value, default=str))


ODD: st.SearchStrategy[Any] = st.sampled_from(
    [None, True, False, 0, -1, 5, 300, 2**42, 1.5, "", "x", "../x", "4 KiB", "A.B", "{core}", [], {}]
)


@st.composite
def damaged(draw: st.DrawFn) -> tuple[str, Any]:
    """Return a kind and a valid manifest of it in which some values are replaced, taken out or given a new name."""
    path = draw(st.sampled_from(list(MANIFESTS)))
    data = copy.deepcopy(plain(tomllib.loads(path.read_text("utf-8"))))
    for _ in range(draw(st.integers(1, 3))):
        places = [node for _, node in nodes(data) if isinstance(node, dict | list) and node]
        place = draw(st.sampled_from(places)) if places else {"": None}
        part = draw(st.sampled_from(sorted(place) if isinstance(place, dict) else list(range(len(place)))))
        match draw(st.integers(0, 3)):
            case 0:
                del place[part]
            case 1 if isinstance(place, dict):
                place[draw(st.sampled_from(["size", "sha256", "lines", "chip", "path", "unit", "bad key"]))] = draw(ODD)
            case 2 if isinstance(place, list):
                place.append(place[part])
            case _:
                place[part] = draw(ODD)
    return MANIFESTS[path], data


@given(damaged())
def test_our_validator_and_the_standards_agree_on_what_is_valid(case: tuple[str, Any]) -> None:
    kind, data = case
    assert (not list(CHECKERS[kind].errors(data))) == stranger(kind).is_valid(data)


LOOK_ALIKE: st.SearchStrategy[Any] = st.sampled_from(
    [
        *(None, "2026-05-01", "2026-02-30", "2026-05", 2**63, -(2**63) - 1, 10**30, True, 1, "a\u0085b", "15,7 kHz"),
        *("é" * 40, "\U0001f600", "<blank>", [1, True], ["1", "1"], {"1": 1, "01": 1}),
    ]
)
"""Values whose type or spelling the regular expressions and numbers of two languages may see differently."""


@given(st.data())
def test_ours_and_the_standards_agree_on_values_that_look_alike(data: st.DataObject) -> None:
    path = data.draw(st.sampled_from(sorted(MANIFESTS)))
    values = copy.deepcopy(plain(tomllib.loads(path.read_text("utf-8"))))
    for _ in range(data.draw(st.integers(0, 2))):
        place = data.draw(
            st.sampled_from([node for _, node in nodes(values) if isinstance(node, dict | list) and node])
        )
        part = data.draw(st.sampled_from(list(place) if isinstance(place, dict) else range(len(place))))
        place[part] = copy.deepcopy(data.draw(LOOK_ALIKE))
    kind = MANIFESTS[path]
    assert (not list(CHECKERS[kind].errors(values))) == stranger(kind).is_valid(values), path


MOMENT = datetime(2026, 11, 25, 20, 0, 1)


@pytest.mark.parametrize(
    ("key", "value", "keyword"),
    [
        ("day", date(2026, 5, 1), ""),
        ("day", "2026-05-01", ""),
        ("day", MOMENT, "type"),
        ("day", time(20, 0), "type"),
        ("day", 5, "type"),
        ("day", 0.5, "type"),
        ("moment", MOMENT, ""),
        ("moment", MOMENT.replace(tzinfo=timezone(timedelta(hours=1))), "format"),
        ("moment", date(2026, 5, 1), "type"),
        ("moment", [MOMENT], "type"),
        ("text", date(2026, 5, 1), "type"),
        ("text", MOMENT, "type"),
        ("whole", 2, ""),
        ("whole", 2.0, "type"),
        ("whole", float("nan"), "type"),
        ("whole", float("inf"), "type"),
        ("whole", True, "type"),
        ("whole", date(2026, 5, 1), "type"),
    ],
)
def test_values_of_toml_that_json_has_not(key: str, value: object, keyword: str) -> None:
    """TOML 1.0.0, "Float", "Local Date" and others. JSON Schema 2020-12 takes 2.0 for a whole number; we do not."""
    parts = {
        "day": {"type": "string", "format": "day"},
        "moment": {"type": "string", "format": "moment"},
        "text": {"type": "string"},
        "whole": {"type": "integer", "maximum": 9},
    }
    errors = list(Checker({"type": "object", "properties": parts}).errors({key: value}))
    assert [(error.keyword, error.path) for error in errors] == ([(keyword, (key,))] if keyword else [])


def test_a_pattern_ends_at_the_end_of_the_text() -> None:
    """ECMA-262, which JSON Schema 2020-12 refers to in 6.4; Python's ``$`` stands before a last line feed too."""
    assert [error.keyword for error in Checker({"type": "string", "pattern": "^[a-z]+$"}).errors("a\n")] == ["pattern"]


def test_keys_that_look_like_numbers_are_told_apart() -> None:
    part = {"type": "object", "additionalProperties": {"type": "object", "properties": {"size": {"type": "integer"}}}}
    data = {"1": {"size": 1}, "01": {"size": "x"}, "+1": {"size": 1}, "7": {"size": "y"}, "0": {"size": None}}
    paths = [error.path for error in Checker(part).errors(data)]
    assert sorted(paths) == [("0", "size"), ("01", "size"), ("7", "size")]
