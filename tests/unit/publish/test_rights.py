"""What may be passed on: licences as the SPDX list has them, a holder and a source."""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.publish.rights import HINT, RightsRefusal, holder_of, made_of, rights_problems, wrong_licence

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
    assert rights_problems(record(*EVERY_KIND, title={**STATED, "licence": expression})) == ()


# The grammar of SPDX Specification 2.3, Annex D: an exception stands after WITH and nowhere else, operators stand
# between expressions, "+" belongs to licences that have later versions. Neither NONE nor NOASSERTION is an expression.
INVALID = {
    "free": "Unknown license key(s): free",
    "MIT AND mine": "Unknown license key(s): mine",
    "MIT OR NONE": "Unknown license key(s): NONE",
    "NOASSERTION": "Unknown license key(s): NOASSERTION",
    "NONE": "Unknown license key(s): NONE",
    "LicenseRef-scancode-public-domain": '"LicenseRef-scancode-public-domain" is a text of one\'s own',
    "MIT WITH Apache-2.0": (
        'A plain license symbol cannot be used as an exception in a "WITH symbol" statement. for token: "Apache-2.0" '
        "at position: 9"
    ),
    "Classpath-exception-2.0": (
        'A license exception symbol can only be used as an exception in a "WITH exception" statement. for token: '
        '"Classpath-exception-2.0"'
    ),
    "Classpath-exception-2.0 WITH MIT": (
        'A license exception symbol can only be used as an exception in a "WITH exception" statement. for token: '
        '"Classpath-exception-2.0"'
    ),
    "GPL-2.0-only WITH Classpath-exception-2.0 WITH Classpath-exception-2.0": (
        'Invalid expression for token: "WITH" at position: 42'
    ),
    "MIT AND": "AND requires two or more licenses as in: MIT AND BSD",
    "AND MIT": 'Invalid operator sequence without symbols such as AND OR or OR OR for token: "AND"',
    "MIT Apache-2.0": 'Invalid symbols sequence such as (A B) for token: "Apache-2.0" at position: 4',
    "(MIT": "Invalid expression",
    "MIT)": 'Unbalanced parenthesis for token: ")" at position: 3',
}


@pytest.mark.parametrize(("expression", "wrong"), INVALID.items())
def test_other_expressions_may_not(expression: str, wrong: str) -> None:
    assert wrong_licence(expression) == wrong
    what = f'found "{expression}" ({wrong}), expected an expression of licences on the SPDX list'
    expected = RightsRefusal(kind="core", id="fern", key="rights.licence", files=2, what=what, hint=HINT)
    assert rights_problems(record(*EVERY_KIND, core={**STATED, "licence": expression})) == (expected,)


@pytest.mark.parametrize(
    ("rights", "missing"),
    [
        ({}, "licence, holder and source are"),
        ({"licence": "MIT", "source": "x"}, "holder is"),
        ({"licence": "MIT", "holder": "x"}, "source is"),
        ({"holder": "x", "source": "x"}, "licence is"),
        ({"licence": " ", "holder": "-", "source": "\u200b"}, "licence, holder and source are"),
        ({"licence": "MIT", "holder": "\u3164", "source": "..."}, "holder and source are"),
        ({"licence": "MIT", "holder": " None ", "source": "N/A"}, "holder and source are"),
        ({"licence": "MIT", "holder": "NOASSERTION", "source": "\u202e\u00a0"}, "holder and source are"),
    ],
)
def test_what_is_not_stated_is_told_once_a_manifest(rights: dict[str, str], missing: str) -> None:
    what = f"{missing} missing; licence, holder and source are all required to publish"
    expected = RightsRefusal(kind="title", id="snail-race", key="rights", files=2, what=what, hint=HINT)
    assert rights_problems(record(*EVERY_KIND, title=rights)) == (expected,)


@pytest.mark.parametrize("holder", ["7", "Ω", "山", "a", "-a-", "none of us"])
def test_any_letter_or_digit_is_a_statement(holder: str) -> None:
    assert rights_problems(record(*EVERY_KIND, title={**STATED, "holder": holder})) == ()


def test_who_gives_nothing_to_the_card_needs_no_rights() -> None:
    assert (
        rights_problems(record(file("menu", "fern"), file("config", "desk"), board={}, core={}, title={}, card={}))
        == ()
    )


def test_a_changed_config_file_is_the_boards_and_a_written_one_ours() -> None:
    before = [{"role": "before", "size": 3, "sha256": "cd" * 32}]
    assert holder_of(record(), file("config", "desk", before)) == ("board", "oak")
    assert holder_of(record(), file("config", "desk")) is None
    assert made_of(file("config", "desk", before)) == before
    assert holder_of(record(), file("menu", "fern")) is None
    assert made_of(file("config", "desk")) == []


@pytest.mark.parametrize(
    ("kind", "owner", "holder"),
    [
        ("card-file", "desk", "card"),
        ("core-file", "fern", "core"),
        ("bitstream", "fern", "core"),
        ("title-file", "snail-race", "title"),
        ("rom-file", "snail-race", "title"),
    ],
)
def test_an_edit_moves_no_file_under_other_rights(kind: str, owner: str, holder: str) -> None:
    before = {"role": "before", "size": 3, "sha256": "cd" * 32, "kind": kind, "owner": owner}
    edited = file("config", "desk", [before])
    assert holder_of(record(), edited) == (holder, owner)
    assert [(one.kind, one.id) for one in rights_problems(record(edited, **{holder: {}}))] == [(holder, owner)]


def test_a_copied_file_is_its_own_content() -> None:
    assert made_of(file("card-file", "desk")) == [{"role": "desk.BIN", "size": 3, "sha256": "ab" * 32}]
