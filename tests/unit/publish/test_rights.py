"""What may be passed on: licences as the SPDX list has them, a holder and a source."""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.publish.rights import HINT, Refusal, holder_of, made_of, refusals, wrong_licence

STATED = {"licence": "CC0-1.0", "holder": "A club", "source": "its page"}


def file(kind: str, owner: str, contents: list[dict[str, Any]] | None = None) -> dict[str, Any]:
    made_from = {"kind": kind, "owner": owner, "contents": contents or [], "steps": []}
    return {"path": f"{owner}.BIN", "size": 3, "sha256": "ab" * 32, "made-from": made_from}


def record(*files: dict[str, Any], **rights: dict[str, str]) -> dict[str, Any]:
    return {
        "card": {"id": "desk", "rights": rights.get("card", STATED)},
        "board": {"id": "oak", "rights": rights.get("board", STATED)},
        "cores": [{"id": "fern", "rights": rights.get("core", STATED)}],
        "titles": [{"id": "snail-race", "rights": rights.get("title", STATED)}],
        "files": list(files),
    }


EVERY_KIND = (
    file("board-file", "oak"), file("bitstream", "fern"), file("core-file", "fern"), file("rom-file", "snail-race"),
    file("title-file", "snail-race"), file("card-file", "desk"), file("menu", "fern"), file("config", "fern"),
)  # fmt: skip


@pytest.mark.parametrize(
    "expression",
    # SPDX Specification 2.3, Annex D: simple expressions, "+", AND, OR, WITH and brackets
    ["CC0-1.0", "MIT", "GPL-2.0-or-later", "MIT OR Apache-2.0", "(MIT AND BSD-3-Clause) OR CC-BY-4.0",
     "GPL-2.0-only WITH Classpath-exception-2.0"],
)  # fmt: skip
def test_expressions_of_listed_licences_may_be_passed_on(expression: str) -> None:
    assert wrong_licence(expression) is None
    assert refusals(record(*EVERY_KIND, title={**STATED, "licence": expression})) == ()


@pytest.mark.parametrize(
    ("expression", "wrong"),
    [
        ("free", "Unknown license key(s): free"),
        ("MIT AND mine", "Unknown license key(s): mine"),
        ("MIT AND", None),
        ("NOASSERTION", "Unknown license key(s): NOASSERTION"),
        ("NONE", "Unknown license key(s): NONE"),
        ("LicenseRef-scancode-public-domain", '"LicenseRef-scancode-public-domain" is a text of one\'s own'),
    ],
)
def test_other_expressions_may_not(expression: str, wrong: str | None) -> None:
    found = wrong_licence(expression)
    assert found == (wrong or found)
    assert found
    what = f'found "{expression}" ({found}), expected an expression of licences on the SPDX list'
    expected = Refusal(kind="core", id="fern", key="rights.licence", files=2, what=what, hint=HINT)
    assert refusals(record(*EVERY_KIND, core={**STATED, "licence": expression})) == (expected,)


@pytest.mark.parametrize(
    ("rights", "lacks"),
    [
        ({}, "no licence and no holder and no source"),
        ({"licence": "MIT", "source": "x"}, "no holder"),
        ({"licence": "MIT", "holder": "x"}, "no source"),
        ({"holder": "x", "source": "x"}, "no licence"),
    ],
)
def test_what_is_not_stated_is_told_once_a_manifest(rights: dict[str, str], lacks: str) -> None:
    what = f"found {lacks}; expected all three, since files of it are to be passed on"
    expected = Refusal(kind="title", id="snail-race", key="rights", files=2, what=what, hint=HINT)
    assert refusals(record(*EVERY_KIND, title=rights)) == (expected,)


def test_who_gives_nothing_to_the_card_needs_no_rights() -> None:
    assert refusals(record(file("menu", "fern"), file("config", "desk"), board={}, core={}, title={}, card={})) == ()


def test_a_changed_config_file_is_the_boards_and_a_written_one_ours() -> None:
    before = [{"role": "before", "size": 3, "sha256": "cd" * 32}]
    assert holder_of(record(), file("config", "desk", before)) == ("board", "oak")
    assert holder_of(record(), file("config", "desk")) is None
    assert made_of(file("config", "desk", before)) == before
    assert made_of(file("config", "desk")) == []


def test_a_copied_file_is_its_own_content() -> None:
    assert made_of(file("card-file", "desk")) == [{"role": "desk.BIN", "size": 3, "sha256": "ab" * 32}]
