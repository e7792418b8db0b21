"""The stations of a card, and how its cores and titles fare there."""

from __future__ import annotations

from pipeline.card.select import select
from pipeline.model.manifest import Station
from pipeline.model.matrix import Outlook
from pipeline.stations.matrix import matrix
from pipeline.workspace.project import Project


def stations_of(project: Project, card_id: str) -> tuple[Station, ...]:
    """Return the stations a card names, in its order."""
    return tuple(project.manifest.stations[id_] for id_ in project.manifest.cards[card_id].stations)


def outlooks_of(project: Project, card_id: str) -> tuple[Outlook, ...]:
    """Return the matrix of a card; raises ManifestError when it comes to nothing."""
    selection = select(project.manifest, project.manifest.cards[card_id])
    return matrix(stations_of(project, card_id), selection.board, selection.cores, selection.titles)
