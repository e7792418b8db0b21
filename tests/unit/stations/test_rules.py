"""What the rules of stations point out, and for whom (common practice)."""

from __future__ import annotations

from typing import Any

from pipeline.model.manifest import Display, Needs, Station
from pipeline.stations.rules import broken_rules
from tests.support import samples

HALL = samples.station("hall", displays=(Display(name="beam", inputs=("rgb",)),), pads=(1,))
FERN = samples.core("fern", needs=Needs(pads=1, buttons=1))


def told(*stations: Station, titles: tuple[Any, ...] = (), **card: Any) -> list[tuple[str, str]]:
    named = tuple(station.id for station in stations)
    problems = broken_rules(samples.card(stations=named, **card), stations, samples.board(), [FERN], titles)
    return [(problem.rule, problem.what) for problem in problems]


def test_a_card_that_works_everywhere_is_not_spoken_of() -> None:
    assert told(HALL, titles=(samples.title(),)) == []
    assert told() == []


def test_titles_that_lack_the_same_are_told_together() -> None:
    titles = [samples.title(id) for id in ("ant", "bee", "cow")]
    upright = [samples.title(id, orientation="portrait", buttons=2) for id in ("dog", "eel")]
    seen = 'a portrait display is needed; display "beam" stands landscape and is not turned'
    played = "1 pad with 2 buttons needed; pads at this station: 1 with 1 button"
    assert told(HALL, titles=(*titles, *upright)) == [
        ("cores-are-seen", f'at station "hall", titles "dog" and "eel" have no picture: {seen}'),
        ("cores-are-played", f'at station "hall", titles "dog" and "eel" have no controls: {played}'),
    ]
    assert told(HALL, titles=(*titles, upright[0]))[0][1].startswith('at station "hall", title "dog" has no picture')


def test_a_core_speaks_for_the_titles_that_share_its_lot() -> None:
    bare = samples.station("bare", displays=HALL.displays)
    played = "1 pad with 1 button needed; pads at this station: none"
    assert told(bare) == [("cores-are-played", f'at station "bare", core "fern" has no controls: {played}')]
    titles = tuple(samples.title(id) for id in ("ant", "bee"))
    assert [what for _, what in told(bare, titles=titles)] == [
        f'at station "bare", core "fern" and 2 titles have no controls: {played}'
    ]


def test_a_required_station_is_another_rule_and_names_the_other_key() -> None:
    bare = samples.station("bare", displays=(Display(name="beam", inputs=("vga",)),))
    problems = broken_rules(
        samples.card(stations=("hall", "bare"), required_stations=("bare",)), (HALL, bare), samples.board(), [FERN], []
    )
    assert [(problem.rule, problem.place.key) for problem in problems] == [
        ("required-stations-work", "required-stations.1"),
        ("required-stations-work", "required-stations.1"),
    ]
