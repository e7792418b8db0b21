"""The matrix as the sheet shows it: what fares alike at a station stands in one row."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from pipeline.model.finished import FinishedCard
from pipeline.model.manifest import Core, Station
from pipeline.model.matrix import Outlook


@dataclass(frozen=True, slots=True, kw_only=True)
class Chance:
    """What fares as ``outlook`` says. ``itself``: whether the core is among it; ``titles``: names of those that are."""

    core: Core
    itself: bool
    titles: tuple[str, ...]
    outlook: Outlook


def chances(finished: FinishedCard, station: Station) -> tuple[Chance, ...]:
    """Return the rows of one station: core by core in the card's order, the core's own row first."""
    here = [outlook for outlook in finished.outlooks if outlook.station == station.id]
    return tuple(row for core in finished.cores for row in _of_core(finished, core, here))


def _of_core(finished: FinishedCard, core: Core, here: list[Outlook]) -> Iterator[Chance]:
    alike: dict[Outlook, list[str]] = {}
    for outlook in sorted(
        (outlook_or_id for outlook_or_id in here if outlook_or_id.core == core.id),
        key=lambda outlook_or_id: outlook_or_id.title != "",
    ):
        alike.setdefault(replace(outlook, title=""), []).append(outlook.title)
    names = {title.id: title.name for title in finished.titles}
    for outlook, ids in alike.items():
        yield Chance(
            core=core,
            itself="" in ids,
            titles=tuple(names[outlook_or_id] for outlook_or_id in ids if outlook_or_id),
            outlook=outlook,
        )
