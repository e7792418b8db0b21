"""The matrix: how every core and title of a card fares at each of its stations."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pipeline.model.manifest import Board, Core, Station, Title
from pipeline.model.matrix import AFTER, NOT, WORKS, Outlook
from pipeline.stations.controls import controls
from pipeline.stations.picture import Way, picture


def matrix(
    stations: Sequence[Station], board: Board, cores: Sequence[Core], titles: Sequence[Title]
) -> tuple[Outlook, ...]:
    """Return the outlook of each core, and after it those of its titles, for one station after the other.

    Stations, cores and titles stay in the order given. A title asks for orientation and buttons where it states
    them, and for everything else what its core does.
    """
    return tuple(
        _outlook(station, core, title, seen(station, board, core, title), played(station, core, title))
        for station in stations
        for core, title in programs(cores, titles)
    )


def programs(cores: Sequence[Core], titles: Sequence[Title]) -> Iterator[tuple[Core, Title | None]]:
    """Yield each core by itself, and then with each of its titles."""
    for core in cores:
        yield core, None
        for title in titles:
            if title.core == core.id:
                yield core, title


def seen(station: Station, board: Board, core: Core, title: Title | None) -> Way:
    """Return the way to a picture of a core or a title."""
    return picture(station, board, core.needs, (title.orientation if title else "") or core.needs.orientation)


def played(station: Station, core: Core, title: Title | None) -> Way:
    """Return how a core or a title is played."""
    return controls(station, core.needs, (title.buttons if title else 0) or core.needs.buttons)


def _outlook(station: Station, core: Core, title: Title | None, see: Way, play: Way) -> Outlook:
    reasons = see.reasons + play.reasons
    steps = () if reasons else play.steps + see.steps  # pads are plugged in before the power is on
    return Outlook(
        station=station.id,
        core=core.id,
        title=title.id if title else "",
        verdict=NOT if reasons else AFTER if steps else WORKS,
        steps=steps,
        reasons=reasons,
        display=see.display,
        output=see.output,
    )
