"""The matrix of a card: who is in it, in which order, and what a title has of its own."""

from __future__ import annotations

import json

from pipeline.model.manifest import Display, Needs
from pipeline.model.matrix import AFTER, NOT, WORKS, Outlook, matrix_document
from pipeline.stations.matrix import matrix
from pipeline.stations.show import matrix_text
from tests.support import samples

UPRIGHT = samples.station("upright", displays=(Display(name="tube", inputs=("rgb",), orientation="portrait"),))
DESK = samples.station(
    "desk",
    displays=(Display(name="flat", inputs=("rgb",), turns=True),),
    keyboards=("external",),
    pads=(4, 1),
    source="the club's list",
    date="2026-05",
)
FERN = samples.core("fern", needs=Needs(orientation="portrait", pads=1, buttons=1))
MOSS = samples.core("moss", needs=Needs(keyboard="any"))
SNAIL = samples.title("snail-race", core="fern", buttons=4)
SLUG = samples.title("slug-run", core="fern", orientation="landscape")
WORM = samples.title("worm-walk", core="fern")
STATIONS = (UPRIGHT, DESK)
OUTLOOKS = matrix(STATIONS, samples.board(), [FERN, MOSS], [SNAIL, SLUG, WORM])
TURN = 'turn display "flat" to portrait, as far as its maker\'s manual allows'
PLUG = "switch off, and plug in 1 pad with 4 buttons"
NO_PAD = "1 pad with 1 button needed; pads at this station: none"


def row(station: str, core: str, title: str = "") -> Outlook:
    (found,) = [one for one in OUTLOOKS if (one.station, one.core, one.title) == (station, core, title)]
    return found


def test_every_core_and_title_is_there_once_a_station_in_the_order_given() -> None:
    programs = [("fern", ""), ("fern", "snail-race"), ("fern", "slug-run"), ("fern", "worm-walk"), ("moss", "")]
    assert [(one.station, one.core, one.title) for one in OUTLOOKS] == [
        (station, *program) for station in ("upright", "desk") for program in programs
    ]


def test_a_core_works_or_works_after_its_steps_or_does_not_for_all_its_reasons() -> None:
    assert row("desk", "moss") == Outlook(
        station="desk", core="moss", title="", verdict=WORKS, display="flat", output="rgb"
    )
    assert row("desk", "fern").verdict == AFTER
    assert row("desk", "fern").steps == (TURN,)
    assert row("upright", "fern").verdict == NOT
    assert row("upright", "fern").reasons == (NO_PAD,)
    assert row("upright", "fern").steps == ()


def test_a_title_has_orientation_and_buttons_of_its_own() -> None:
    assert row("desk", "fern", "snail-race").steps == (PLUG, TURN)
    assert row("desk", "fern", "slug-run").steps == ()
    assert row("desk", "fern", "worm-walk").steps == (TURN,)
    assert row("upright", "fern", "slug-run").reasons == (
        'a landscape display is needed; display "tube" stands portrait and is not turned',
        NO_PAD,
    )


def test_text_groups_the_titles_that_fare_alike() -> None:
    assert matrix_text((DESK,), OUTLOOKS) == (
        "Desk (desk)\n"
        '  core fern and 1 of 3 titles: works after a step on "flat" by rgb:\n'
        f"      {TURN}\n"
        '    title snail-race: works after a step on "flat" by rgb:\n'
        f"      {PLUG}\n"
        f"      {TURN}\n"
        '    title slug-run: works on "flat" by rgb\n'
        '  core moss: works on "flat" by rgb\n'
    )
    assert "  core moss: does not work, because\n      a keyboard is needed" in matrix_text(STATIONS, OUTLOOKS)


def test_the_document_has_everything_and_facts_with_source_and_date() -> None:
    upright, desk = matrix_document(STATIONS, OUTLOOKS)
    assert set(upright) == {"id", "name", "outlooks"}
    assert (desk["source"], desk["date"]) == ("the club's list", "2026-05")
    rows = json.loads(json.dumps(desk["outlooks"]))
    assert rows[1] == {
        "core": "fern",
        "title": "snail-race",
        "verdict": "works after a step",
        "steps": [PLUG, TURN],
        "display": "flat",
        "output": "rgb",
    }
    assert len(rows) == 5
