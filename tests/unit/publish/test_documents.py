"""Statement and bill of materials, held to what their makers publish to check them with."""

from __future__ import annotations

import json
from importlib.resources import files
from typing import Any

import pytest
from google.protobuf.json_format import ParseDict
from in_toto_attestation.predicates.provenance.v1.provenance_pb2 import Provenance
from in_toto_attestation.v1.statement import Statement
from in_toto_attestation.v1.statement_pb2 import Statement as StatementMessage
from jsonschema import Draft7Validator
from referencing import Registry, Resource

from pipeline.publish.materials import materials
from pipeline.publish.readme import readme, recipe_readme
from pipeline.publish.statement import PROVENANCE, STATEMENT, statement

RIGHTS = {"licence": "CC0-1.0", "holder": "A club", "source": "its page"}


def hashed(letter: str) -> str:
    return letter * 64


def file(path: str, kind: str, owner: str, contents: list[dict[str, Any]]) -> dict[str, Any]:
    made_from = {"kind": kind, "owner": owner, "contents": contents, "steps": []}
    return {"path": path, "size": 4, "sha256": hashed("a"), "made-from": made_from}


TWO_CHIPS = [
    {"role": "chip a1", "size": 2, "sha256": hashed("b")},
    {"role": "chip b1", "size": 2, "sha256": hashed("c")},
]
RECORD: dict[str, Any] = {
    "card": {"id": "desk", "name": "Desk", "version": "1", "rights": RIGHTS},
    "made-by": {"program": "cardkiln 0.1.0", "read-back": "pyfatfs 1.1.0"},
    "image": {"file": "card.img", "size": 16, "sha256": hashed("1")},
    "plan": {"file": "plan.json", "sha256": hashed("2")},
    "board": {"id": "oak", "name": "Oak", "rights": RIGHTS},
    "cores": [{"id": "fern", "name": "Fern", "release": "1.0", "rights": RIGHTS}],
    "titles": [{"id": "snail-race", "name": "Snail race", "core": "fern", "rights": {}}],
    "files": [
        file("FERN.FAB", "bitstream", "fern", []),
        file("SIGN.TXT", "menu", "fern", []),
        file("SNAIL.ROM", "rom-file", "snail-race", TWO_CHIPS),
    ],
}  # fmt: skip


def test_the_statement_is_valid_for_the_library_of_its_makers() -> None:
    # the library in-toto-attestation: in-toto Attestation Framework, Statement v1, and SLSA v1; unknown fields fail
    document = statement(RECORD, hashed("9"))
    Statement.copy_from_pb(ParseDict(document, StatementMessage())).validate()
    predicate = ParseDict(document["predicate"], Provenance())
    assert predicate.build_definition.build_type == "urn:cardkiln:build:1"
    assert predicate.run_details.builder.id == "urn:cardkiln:builder:cardkiln"
    assert (document["_type"], document["predicateType"]) == (STATEMENT, PROVENANCE)


def test_the_statement_names_image_and_every_content() -> None:
    document = statement(RECORD, hashed("9"))
    assert document["subject"] == [{"name": "card.img", "digest": {"sha256": hashed("1")}}]
    dependencies = document["predicate"]["buildDefinition"]["resolvedDependencies"]
    named = {one["name"]: one["digest"]["sha256"] for one in dependencies}
    assert named == {
        "fern: FERN.FAB": hashed("a"), "snail-race: chip a1": hashed("b"), "snail-race: chip b1": hashed("c"),
    }  # fmt: skip


def schema_named(name: str) -> Any:
    return json.loads(files("cyclonedx.schema._res").joinpath(name).read_bytes())


@pytest.fixture(scope="module")
def bill_schema() -> Draft7Validator:
    """The schema of CycloneDX 1.6 (ECMA-424) and what it refers to, from the library cyclonedx-python-lib."""
    names = {"bom-1.6": "bom-1.6.SNAPSHOT", "spdx": "spdx.SNAPSHOT", "jsf-0.82": "jsf-0.82.SNAPSHOT"}
    schemas = [schema_named(f"{name}.schema.json") for name in names.values()]
    registry = Registry().with_resources([(one["$id"], Resource.from_contents(one)) for one in schemas])
    return Draft7Validator(schemas[0], registry=registry)


def test_the_bill_keeps_the_schema_of_its_standard(bill_schema: Draft7Validator) -> None:
    assert list(bill_schema.iter_errors(materials(RECORD))) == []


def test_the_schema_would_notice(bill_schema: Draft7Validator) -> None:
    broken = materials(RECORD)
    broken["components"][0]["type"] = "cartridge"
    assert list(bill_schema.iter_errors(broken))


def test_the_bill_says_what_each_file_was_made_of() -> None:
    document = materials(RECORD)
    refs = [one["bom-ref"] for one in document["components"]]
    assert len(set(refs)) == len(refs)
    depends = {one["ref"]: one["dependsOn"] for one in document["dependencies"]}
    assert depends["image"] == ["file:FERN.FAB", "file:SIGN.TXT", "file:SNAIL.ROM"]
    assert depends["file:SNAIL.ROM"] == [f"content:{hashed('b')}", f"content:{hashed('c')}"]
    assert set(depends) - {"image"} <= set(refs)
    assert {one for all_ in depends.values() for one in all_} <= set(refs)


def test_the_bill_states_rights_where_they_are_stated() -> None:
    by_ref = {one["bom-ref"]: one for one in materials(RECORD)["components"]}
    assert by_ref["file:FERN.FAB"]["licenses"] == [{"expression": "CC0-1.0"}]
    assert by_ref["file:FERN.FAB"]["copyright"] == "A club"
    assert "licenses" not in by_ref["file:SNAIL.ROM"]
    assert "licenses" not in by_ref["file:SIGN.TXT"]


def test_the_same_record_gives_the_same_documents() -> None:
    assert statement(RECORD, hashed("9")) == statement(json.loads(json.dumps(RECORD)), hashed("9"))
    assert materials(RECORD) == materials(json.loads(json.dumps(RECORD)))


USUAL = (("Power", "Switch off first."), ("Rights", "Hand none on."))


def pages(**changes: Any) -> tuple[str, str]:
    card = {**RECORD["card"], **changes}
    arguments = ("", USUAL, ("Let the board cool\n before you touch it.", "x" * 60 + " " + "y" * 60))
    record = {**RECORD, "card": card}
    return readme(record, "card.img.gz", "gzip", *arguments), recipe_readme(record, 3, *arguments)


def test_cautions_come_before_what_to_do_and_the_boards_own_after_the_usual_ones() -> None:
    told = (
        "CAUTION\n\n  - Power: Switch off first.\n  - Rights: Hand none on.\n\n  Of this board:\n\n"
        f"  - Let the board cool before you touch it.\n  - {'x' * 60}\n    {'y' * 60}\n\n"
    )
    image, recipe = pages()
    assert f"{told}PUT IT ON A CARD\n" in image
    assert f"{told}BUILD IT\n" in recipe
    assert "Of this board" not in readme(RECORD, "card.img.gz", "gzip", "", USUAL, ())


def test_pages_say_what_was_left_out_as_the_users() -> None:
    told = "\nFiles below SLATE/**, SETS/** belong to whoever uses the card; none is on it.\n"
    assert all(page.endswith(told) for page in pages(**{"without-kept": ["SLATE/**", "SETS/**"]}))
    assert not any("belong to" in page for page in pages())
