"""``doit why`` and ``doit jobs``: what is due, what was done last, and what there is to build."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests import small
from tests.running import digests, doit, own_command, write_tree

MORE = "what these make can make later stages due; where it comes out equal, nothing more is done\n"


NOTHING = "desk: nothing to do, all is as declared\n"
UNKNOWN = NOTHING + "what was done last for it is not known\n"


@pytest.fixture
def built(tmp_path: Path) -> Path:
    folder = small.small_project(tmp_path)
    assert doit(folder).code == 0
    return folder


def change_chip(folder: Path) -> None:
    """Declare another chip b1, and lay its dump down."""
    chip = bytes(1024)
    title = small.TITLE.replace(small.sha(small.CHIP_B), small.sha(chip))
    title = title.replace(small.sha(small.ROM), small.sha(small.CHIP_A + chip))
    write_tree(folder, {"inputs/titles/snail-race.toml": title, "inputs/files/attic/new.bin": chip})


def steps(folder: Path) -> list[tuple[str, str, str]]:
    """Return what was done last for the card: stage, reason, and how its bytes came out."""
    last = json.loads(own_command(folder, "why", "desk", "--json").out)["last"]
    return [(step["stage"], step["why"], step["bytes"]) for step in last["steps"]]


def test_what_is_due_is_told_before_it_is_done_and_nothing_is_built(tmp_path: Path) -> None:
    folder = small.small_project(tmp_path)
    assert doit(folder).code == 0
    ran = own_command(folder, "why", "desk")
    assert ran.out.startswith(NOTHING)
    assert (ran.code, ran.err) == (0, "")

    change_chip(folder)
    before = digests(folder / "build/cards")
    ran = own_command(folder, "why", "desk")
    assert ran.code == 0
    assert ran.out.startswith(
        "rom     snail-race: chip b1 changed\nplan    desk: the card's contents or layout changed\n"
    )
    assert ran.out.endswith(MORE)
    due = json.loads(own_command(folder, "why", "desk", "--json").out)
    assert due["due"][0] == {"stage": "rom", "item": "snail-race", "why": "chip b1 changed"}
    assert digests(folder / "build/cards") == before


def test_after_the_build_the_chain_from_input_to_image_is_told(built: Path) -> None:
    change_chip(built)
    assert doit(built).code == 0
    ran = own_command(built, "why", "desk")
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.startswith(
        f"{NOTHING}done last:\n"
        "rom     snail-race: chip b1 changed\n"
        "        -> 1 ROM file from 2 chips, 2 KiB; other bytes than before\n"
        "plan    desk: the card's contents or layout changed\n"
    )
    assert steps(built) == [
        ("rom", "chip b1 changed", "other"),
        ("plan", "the card's contents or layout changed", "other"),
        ("image", "the plan changed", "other"),
        ("record", "record.json no longer says what is so", "other"),
        ("sheet", "the manifests, the record changed", "other"),
    ]


def test_a_first_build_is_told_as_new_and_a_run_without_work_changes_nothing(built: Path) -> None:
    first = [(stage, "new", "new") for stage in ("rom", "plan", "config", "image", "record", "sheet")]
    assert steps(built) == first
    assert doit(built).code == 0
    assert steps(built) == first


def test_an_image_that_comes_out_equal_is_told_as_such(built: Path) -> None:
    with (built / "build/cards/desk/card.img").open("r+b") as file:
        file.write(b"?")
    assert doit(built).code == 0
    assert steps(built) == [("image", "card.img was changed by something else", "same")]


def test_a_chain_goes_on_through_the_runs_that_it_takes(built: Path) -> None:
    change_chip(built)
    assert doit(built, "rom:snail-race").code == 0
    assert doit(built, "record:desk").code == 0
    assert doit(built, "sheet:desk").code == 0
    assert [stage for stage, _, _ in steps(built)] == ["rom", "plan", "image", "record", "sheet"]


@pytest.mark.parametrize("kept", [None, "", "{", "[]", '{"cardkiln-reasons": 1, "cards": {"desk": {"steps": [5]}}}'])
def test_where_the_notes_are_damaged_or_gone_it_is_not_known_and_all_else_is_as_it_was(
    built: Path, kept: str | None
) -> None:
    notes = built / "build/state/reasons.json"
    notes.unlink() if kept is None else notes.write_text(kept, encoding="utf-8")
    assert own_command(built, "why", "desk").out == UNKNOWN
    ran = doit(built)
    assert (ran.code, ran.err) == (0, "")
    assert "nothing to do" in ran.out
    assert json.loads(own_command(built, "why", "desk", "--json").out) == {
        "cardkiln-why": 1,
        "card": "desk",
        "due": [],
        "last": None,
    }
    (built / "build/cards/desk/sheet.html").unlink()
    assert doit(built).code == 0
    assert steps(built) == [("sheet", "sheet.html is gone", "new")]


def test_the_notes_hold_nothing_of_day_or_machine(tmp_path: Path) -> None:
    folders = [small.small_project(tmp_path / name) for name in ("one", "other")]
    texts = set()
    for folder, zone in zip(folders, ("UTC0", "XXX-5"), strict=True):
        assert doit(folder, TZ=zone).code == 0
        texts.add((folder / "build/state/reasons.json").read_text(encoding="utf-8"))
    assert len(texts) == 1


def test_jobs_are_the_cards_with_their_tasks(tmp_path: Path) -> None:
    folder = small.small_project(tmp_path)
    assert json.loads(own_command(folder, "jobs", "--json").out) == {
        "cardkiln-jobs": 1,
        "jobs": [{"card": "desk", "task": "sheet:desk", "board": "oak", "stations": [], "image-sha256": ""}],
    }
    ran = own_command(folder, "jobs")
    assert (ran.code, ran.out) == (0, "sheet:desk: board oak\n")
