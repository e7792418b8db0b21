"""The log of what was done for a card: kept by the run, whole or not at all, and bounded to the last build."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.build.build import Build
from pipeline.build.flow import STAGES, build_title
from pipeline.explain.build_log import CardLog, Done, Notes, chains
from pipeline.explain.pending import due
from tests.support.building import build_in, workspace_in
from tests.support.small import small_project


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return small_project(tmp_path)


def run(build: Build, *, stages: int = len(STAGES)) -> None:
    """Build what is due of the card as the tasks do, with notes; only its first ``stages``."""
    notes = Notes(build)
    for roms in build.roms_of("desk"):
        if why := roms.reason():
            done = notes.begin("rom", roms.title.id, why)
            done(build_title(build, roms))
    for stage in STAGES[:stages]:
        card = build.card("desk")
        if why := stage.reason(card):
            done = notes.begin(stage.name, "desk", why)
            done(stage.run(card))
    notes.keep(lambda cards: {card: not due(build, card) for card in cards})


def steps(folder: Path) -> list[tuple[str, str]]:
    return [(step.stage, step.bytes) for step in chains(workspace_in(folder))["desk"].steps]


ALL = ["rom", "plan", "config", "image", "record", "sheet"]


def test_a_first_build_is_logged_stage_by_stage(folder: Path) -> None:
    run(build_in(folder))
    assert steps(folder) == [(stage, "new") for stage in ALL]
    log = chains(workspace_in(folder))["desk"]
    assert log.finished
    assert log.differs == ()
    assert {step.why for step in log.steps} == {"new"}
    assert not due(build_in(folder), "desk")


def test_a_build_that_stops_and_goes_on_is_one_entry(folder: Path) -> None:
    run(build_in(folder), stages=2)
    assert not chains(workspace_in(folder))["desk"].finished
    run(build_in(folder))
    assert steps(folder) == [(stage, "new") for stage in ALL]
    assert chains(workspace_in(folder))["desk"].finished


def test_a_run_with_nothing_to_do_keeps_the_last_entry(folder: Path) -> None:
    run(build_in(folder))
    before = chains(workspace_in(folder))
    run(build_in(folder))
    assert chains(workspace_in(folder)) == before


def test_an_output_that_is_lost_is_logged_with_equal_bytes_where_they_are(folder: Path) -> None:
    run(build_in(folder))
    (folder / "build/cards/desk/sheet.html").write_text("changed by hand")
    run(build_in(folder))
    assert steps(folder) == [("sheet", "other")]
    (folder / "build/state/sheet/desk.json").unlink()
    run(build_in(folder))
    assert steps(folder) == [("sheet", "same")]


@pytest.mark.parametrize("data", [b"", b"[]", b'["cardkiln-state 1","' + b"0" * 64 + b'",{}]', b"\xff" * 99])
def test_a_damaged_log_is_as_good_as_none(folder: Path, data: bytes) -> None:
    run(build_in(folder))
    (folder / "build/state/reasons.json").write_bytes(data)
    assert chains(workspace_in(folder)) == {}
    run(build_in(folder))
    assert chains(workspace_in(folder)) == {}


def test_what_differs_is_that_of_the_first_stage_that_saw_it() -> None:
    def done(stage: str, *differs: str) -> Done:
        return Done(stage=stage, item="desk", why="", what="", bytes="other", differs=differs)

    log = CardLog(finished=True, steps=(done("plan", "files", "  added    A"), done("image"), done("plan", "volume")))
    assert log.differs == ("volume",)
