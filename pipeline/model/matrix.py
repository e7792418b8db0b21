"""Will it work where it is used: what the rules say of each core and title of a card at each station."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.model.manifest import Station

WORKS = "works"
AFTER = "works after a step"
NOT = "does not work"


@dataclass(frozen=True, order=True, slots=True, kw_only=True)
class Outlook:
    """How a core (``title`` is "") or a title fares at a station; all three by id.

    ``verdict``: one of WORKS, AFTER and NOT. ``steps``: what a person does first, in order (AFTER).
    ``reasons``: why it does not work, each naming both sides (NOT). ``display``: the name of the one that shows it,
    and ``output``: by which output of the board; both "" where it has no picture.
    """

    station: str
    core: str
    title: str
    verdict: str
    steps: tuple[str, ...] = ()
    reasons: tuple[str, ...] = ()
    display: str = ""
    output: str = ""


def matrix_document(stations: Sequence[Station], outlooks: Sequence[Outlook]) -> list[dict[str, object]]:
    """Return each station with its facts and the outlook of every core and title there, as JSON values."""
    return [
        {
            "id": station.id,
            "name": station.name,
            **{key: value for key, value in (("source", station.source), ("date", station.date)) if value},
            "outlooks": [_row(outlook) for outlook in outlooks if outlook.station == station.id],
        }
        for station in stations
    ]


def _row(outlook: Outlook) -> dict[str, object]:
    optional = {
        "title": outlook.title,
        "display": outlook.display,
        "output": outlook.output,
        "steps": list(outlook.steps),
        "reasons": list(outlook.reasons),
    }
    return {"core": outlook.core, "verdict": outlook.verdict, **{k: v for k, v in optional.items() if v}}
