"""Every rule: a card that breaks it, told word for word, in a folder of its own below tests/cases/rules."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from pipeline.build import check, find
from pipeline.build.build import Build
from pipeline.build.flow import build_card
from pipeline.distribute import publish
from pipeline.errors import CardkilnError, Problem
from pipeline.model.rules import RULES, WARNING
from tests.support import small
from tests.support.building import build_in
from tests.support.cli import doit

CASES = Path(__file__).parents[2] / "cases/rules"


def laid_out(case: Path, folder: Path) -> Build:
    """Return the small project, which keeps every rule, with the inputs of a case laid over its own."""
    small.small_project(folder)
    shutil.copytree(case / "inputs", folder / "inputs", dirs_exist_ok=True)
    return build_in(folder)


def told(build: Build, stage: str) -> tuple[Problem, ...]:
    """Return what the stage that looks at a rule says, errors or warnings."""
    try:
        check.run(build)
        if stage == "find":
            find.complete(build)
        if stage in ("image", "publish"):
            build_card(build, "desk", lambda line: None)
        if stage == "publish":
            publish.publish(build, "desk", "zip", None)
    except CardkilnError as error:
        return build.workspace.located(error.problems)
    return build.workspace.take_warnings()


def test_every_rule_has_a_folder_of_its_own() -> None:
    assert sorted(path.name for path in CASES.iterdir()) == sorted(RULES)


@pytest.mark.parametrize("name", RULES)
def test_a_card_that_breaks_a_rule_is_told_so(name: str, tmp_path: Path) -> None:
    problems = told(laid_out(CASES / name, tmp_path), RULES[name].stage)
    assert "\n".join(map(str, problems)) == (CASES / name / "expected.txt").read_text("utf-8").rstrip("\n")
    assert {problem.rule for problem in problems} == {name}


def test_a_card_that_keeps_every_rule_is_built_without_a_word(tmp_path: Path) -> None:
    assert told(build_in(small.small_project(tmp_path)), "image") == ()


def card_with(folder: Path, rule: str, lines: str) -> Build:
    """Return the project of a rule's case, whose card says some more."""
    laid_out(CASES / rule, folder)
    card = folder / "inputs/cards/desk.toml"
    card.write_text(card.read_text("utf-8") + lines, "utf-8")
    return build_in(folder)


SILENCED = [name for name, rule in RULES.items() if rule.can_be_silenced and rule.stage == "check"]


@pytest.mark.parametrize("name", SILENCED)
def test_a_rule_is_silenced_with_a_reason_which_the_record_carries(name: str, tmp_path: Path) -> None:
    project = card_with(tmp_path, name, f'[silence]\n{name} = "the club knows better"\n')
    assert told(project, "check") == ()
    build_card(project, "desk", lambda line: None)
    record = json.loads((tmp_path / "build/cards/desk/record.json").read_bytes())
    assert record["warnings"] == []
    by_card = [one for one in record["silenced"] if one["by"] == "card desk"]
    assert {(one["rule"], one["reason"]) for one in by_card} == {(name, "the club knows better")}


def test_a_bitstream_that_cannot_be_told_is_recorded_or_silenced_too(tmp_path: Path) -> None:
    name = "bitstream-is-identifiable"
    path = tmp_path / "build/cards/desk/record.json"
    told(laid_out(CASES / name, tmp_path), "image")
    record = json.loads(path.read_bytes())
    assert [(one["rule"], one["where"]) for one in record["warnings"]] == [(name, "cores/fern.toml: bitstream")]
    assert told(card_with(tmp_path, name, f'[silence]\n{name} = "tried on the board"\n'), "image") == ()
    record = json.loads(path.read_bytes())
    assert record["warnings"] == []
    assert [(one["rule"], one["reason"]) for one in record["silenced"]] == [(name, "tried on the board")]


@pytest.mark.parametrize(
    ("path", "by"),
    [("boards/oak.toml", "board oak"), ("cores/fern.toml", "core fern"), ("cards/desk.toml", "card desk")],
)
def test_board_core_and_card_can_silence_and_the_record_says_which(path: str, by: str, tmp_path: Path) -> None:
    name = "bitstream-is-identifiable"
    laid_out(CASES / name, tmp_path)
    manifest = tmp_path / "inputs" / path
    manifest.write_text(manifest.read_text("utf-8") + f'[silence]\n{name} = "tried"\n', "utf-8")
    assert told(build_in(tmp_path), "image") == ()
    record = json.loads((tmp_path / "build/cards/desk/record.json").read_bytes())
    assert [(one["rule"], one["reason"], one["by"]) for one in record["silenced"]] == [(name, "tried", by)]


def test_a_core_silences_nothing_that_is_said_of_another(tmp_path: Path) -> None:
    name = "bitstream-is-identifiable"
    laid_out(CASES / name, tmp_path)
    core = (tmp_path / "inputs/cores/fern.toml").read_text("utf-8")
    moss = core.replace('"Fern"', '"Moss"') + f'[silence]\n{name} = "tried"\n'
    (tmp_path / "inputs/cores/moss.toml").write_text(moss, "utf-8")
    card = tmp_path / "inputs/cards/desk.toml"
    card.write_text(card.read_text("utf-8").replace('cores = ["fern"]', 'cores = ["fern", "moss"]'), "utf-8")
    assert [problem.place.file for problem in told(build_in(tmp_path), "image")] == ["inputs/cores/fern.toml"]


def test_what_a_board_or_core_silences_is_a_rule_that_can_be(tmp_path: Path) -> None:
    changes: dict[str, str | bytes] = {
        "inputs/boards/oak.toml": small.BOARD + 'contents-fit = "x"\n',
        "inputs/cores/fern.toml": small.CORE + '[silence]\ncores-are-sen = "x"\n',
    }
    small.small_project(tmp_path, changes)
    assert [str(problem).partition("\n")[0] for problem in told(build_in(tmp_path), "check")] == [
        'inputs/boards/oak.toml:17:16: silence.contents-fit: rule "contents-fit" cannot be silenced: '
        "a card that breaks it does not work",
        'inputs/cores/fern.toml:12:17: silence.cores-are-sen: found "cores-are-sen", expected the name of a rule',
    ]


@pytest.mark.parametrize("name", [name for name, rule in RULES.items() if not rule.can_be_silenced])
def test_what_makes_a_card_fail_cannot_be_silenced(name: str, tmp_path: Path) -> None:
    small.small_project(tmp_path, {"inputs/cards/desk.toml": small.CARD + f'[silence]\n{name} = "trust me"\n'})
    assert [str(problem) for problem in told(build_in(tmp_path), "check")] == [
        f'inputs/cards/desk.toml:10:{len(name) + 4}: silence.{name}: rule "{name}" cannot be silenced: '
        "a card that breaks it does not work\n"
        "  hint: remove the line, and fix what the rule reports"
    ]


def test_what_is_silenced_or_accepted_is_a_rule_that_can_be(tmp_path: Path) -> None:
    lines = '[silence]\ncores-are-sen = "x"\n[accept]\nzzz = "x"\ncontents-fit = "x"\nfacts-are-current = "x"\n'
    small.small_project(tmp_path, {"inputs/cards/desk.toml": small.CARD + lines})
    assert [str(problem) for problem in told(build_in(tmp_path), "check")] == [
        'inputs/cards/desk.toml:10:17: silence.cores-are-sen: found "cores-are-sen", expected the name of a rule\n'
        '  hint: did you mean "cores-are-seen"?',
        'inputs/cards/desk.toml:12:7: accept.zzz: found "zzz", expected the name of a rule\n'
        "  hint: doit check --list shows them all",
        'inputs/cards/desk.toml:13:16: accept.contents-fit: rule "contents-fit" gives an error, '
        "and only warnings can be accepted for publishing\n"
        "  hint: remove the line",
    ]


def test_warnings_are_shown_once_a_run_and_recorded(tmp_path: Path) -> None:
    laid_out(CASES / "facts-are-current", tmp_path)
    second = small.CARD.replace('"DESK"', '"SECOND"')
    (tmp_path / "inputs/cards/second.toml").write_text(second, "utf-8")
    for _ in range(2):  # also when there is nothing to do
        ran = doit(tmp_path)
        assert ran.code == 0
        assert ran.out.startswith("check   1 board, 1 core, 1 title, 2 cards: no errors, 1 warning\n")
        assert ran.err == (
            'warning (facts-are-current): inputs/cores/fern.toml:6:8: date: the facts on core "fern" are of 2026-05, '
            "its release 1.0 of 2026-06-01\n"
            "  see inputs/cores/fern.toml:5:16: release-date\n"
            "  hint: look at what the new release says, correct the manifest, and set its date\n"
        )
    for card in ("desk", "second"):
        record = json.loads((tmp_path / f"build/cards/{card}/record.json").read_bytes())
        assert record["warnings"] == [
            {
                "rule": "facts-are-current",
                "where": "cores/fern.toml: date",
                "what": 'the facts on core "fern" are of 2026-05, its release 1.0 of 2026-06-01',
            }
        ]


def test_rules_are_listed_and_explained_whatever_the_manifests_say(tmp_path: Path) -> None:
    small.small_project(tmp_path, {"inputs/cards/desk.toml": "broken"})
    ran = doit(tmp_path, "check", "--list")
    assert (ran.code, ran.err) == (0, "")
    assert [line.split()[:2] for line in ran.out.splitlines()] == [[rule.name, rule.level] for rule in RULES.values()]
    ran = doit(tmp_path, "check", "--explain", "facts-are-current")
    assert (ran.code, ran.err) == (0, "")
    assert ran.out == (
        "facts-are-current\n\n"
        "What a manifest says of a core is no older than the core's release.\n\n"
        "Cores change from release to release: other paths, other outputs, other keys. "
        "Dates are compared as far as both\n"
        "are stated: facts of 2026-05 are not older than a release of 2026-05-20.\n\n"
        "A warning: it is shown and recorded. Found by doit check.\n"
        '[silence] facts-are-current = "why" in the card, board or core silences it, and the record says so.\n'
    )
    ran = doit(tmp_path, "check", "--explain", "facts-are-courant")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err == (
        'found "facts-are-courant", expected the name of a rule\n  hint: did you mean "facts-are-current"?\n'
    )


def test_every_rule_says_what_it_asks_and_then_why() -> None:
    for rule in RULES.values():
        first, blank, *rest = rule.reason.split("\n")
        assert first.endswith(".")
        assert blank == ""
        assert rest
        assert rule.level != WARNING or rule.can_be_silenced


def test_a_recorded_warning_names_no_place_of_the_machine(tmp_path: Path) -> None:
    here, elsewhere = tmp_path / "here", tmp_path / "elsewhere"
    laid_out(CASES / "facts-are-current", here)
    elsewhere.mkdir()
    assert doit(here).code == 0
    assert doit(elsewhere, CARDKILN_INPUTS=str(here / "inputs")).code == 0
    record, other = (folder / "build/cards/desk/record.json" for folder in (here, elsewhere))
    assert record.read_bytes() == other.read_bytes()
    assert json.loads(record.read_bytes())["warnings"] != []
