"""The rules of stations: every core and title can be seen and played where the card is used."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from pipeline.errors import Place, Problem
from pipeline.model.manifest import Board, Card, Core, Station, Title
from pipeline.model.rules import CORES_ARE_PLAYED, CORES_ARE_SEEN, REQUIRED_STATIONS_WORK, Rule
from pipeline.model.text import counted, listed
from pipeline.stations.matrix import played, programs, seen
from pipeline.stations.picture import Way


@dataclass(frozen=True, slots=True, kw_only=True)
class Use:
    """A card at one of its stations: what is on it, for which board."""

    card: Card
    station: Station
    board: Board
    cores: Sequence[Core]
    titles: Sequence[Title]

    @property
    def is_required(self) -> bool:
        """Whether everything must work here."""
        return self.station.id in self.card.required_stations


def cores_are_seen(use: Use) -> Iterator[Problem]:
    """Yield what has no picture at a station that is only named."""
    if not use.is_required:
        yield from _unseen(use)


def cores_are_played(use: Use) -> Iterator[Problem]:
    """Yield what has no controls at a station that is only named."""
    if not use.is_required:
        yield from _unplayed(use)


def required_stations_work(use: Use) -> Iterator[Problem]:
    """Yield what has no picture or no controls at a station that is required."""
    if use.is_required:
        yield from (*_unseen(use), *_unplayed(use))


CHECKS: Mapping[Rule, Callable[[Use], Iterator[Problem]]] = {
    CORES_ARE_SEEN: cores_are_seen,
    CORES_ARE_PLAYED: cores_are_played,
    REQUIRED_STATIONS_WORK: required_stations_work,
}
"""A station that is only named gives warnings; one that is required stops the build, and can be taken out instead."""


def broken_rules(
    card: Card, stations: Sequence[Station], board: Board, cores: Sequence[Core], titles: Sequence[Title]
) -> list[Problem]:
    """Return every problem at the card's stations, each with the name of its rule."""
    uses = [Use(card=card, station=station, board=board, cores=cores, titles=titles) for station in stations]
    return [
        replace(problem, rule=rule.name) for use in uses for rule, check in CHECKS.items() for problem in check(use)
    ]


def _unseen(use: Use) -> Iterator[Problem]:
    hint = "doit stations shows what works where; use another display or card there, or remove the station"
    yield from _problems(
        use,
        lambda core, title: seen(use.station, use.board, core, title),
        "no picture",
        hint,
        ("displays", "orientation"),
    )


def _unplayed(use: Use) -> Iterator[Problem]:
    hint = "bring what is missing and add it to the station, or remove the station"
    yield from _problems(
        use, lambda core, title: played(use.station, core, title), "no controls", hint, ("", "buttons")
    )


def _problems(
    use: Use, way: Callable[[Core, Title | None], Way], lacks: str, hint: str, keys: tuple[str, str]
) -> Iterator[Problem]:
    """Yield one problem for all that a core and its titles lack for the same reasons.

    ``keys``: the station's key that is one side of it, and the key with which a title has the other.
    """
    listing = "required-stations" if use.is_required else "stations"
    number = (use.card.required_stations if use.is_required else use.card.stations).index(use.station.id) + 1
    place = Place(file=use.card.file, key=f"{listing}.{number}")
    for core in use.cores:
        same: dict[tuple[str, ...], list[Title | None]] = defaultdict(list)
        for _, title in programs([core], use.titles):
            same[way(core, title).reasons].append(title)
        for reasons, programs_of in same.items():
            if not reasons:
                continue
            what = f'at station "{use.station.id}", {_who(core, programs_of)} {lacks}: {"; ".join(reasons)}'
            sides = [Place(file=use.station.file, key=keys[0]), Place(file=core.file, key="needs")]
            sides += [title.place(keys[1]) for title in programs_of if title and None not in programs_of]
            yield Problem(place, what, hint, tuple(sides))


def _who(core: Core, titles: Sequence[Title | None]) -> str:
    """Return 'core "fern" has', 'core "fern" and 2 titles have' or 'titles "a" and "b" have'."""
    names = [f'"{title.id}"' for title in titles if title]
    if None not in titles:
        return f"{'titles' if len(names) > 1 else 'title'} {listed(names)} {'have' if len(names) > 1 else 'has'}"
    if not names:
        return f'core "{core.id}" has'
    return f'core "{core.id}" and {counted(len(names), "title")} have'
