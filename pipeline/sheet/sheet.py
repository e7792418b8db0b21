"""What a sheet tells of, as one value."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.model.content import CardFile
from pipeline.model.manifest import Board, Card, Core, Station, Title
from pipeline.model.matrix import Outlook
from pipeline.model.plan import Plan, Proof
from pipeline.model.ranges import RomMap


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A finished card and all that is known of it.

    ``files``: those the plan was made from. ``settings``: board setting to choice. ``sums``: file beside the image
    to its SHA-256. ``outlooks``: how each core and title fares at each of ``stations``. ``warnings``: what its
    rules say of it; ``silenced``: what the card sets aside, with its reason. ``made_by``: this program and its version.
    """

    card: Card
    board: Board
    cores: tuple[Core, ...]
    titles: tuple[Title, ...]
    settings: Mapping[str, str]
    files: tuple[CardFile, ...]
    plan: Plan
    proof: Proof
    sums: Mapping[str, str]
    stations: tuple[Station, ...]
    outlooks: tuple[Outlook, ...]
    warnings: tuple[str, ...]
    silenced: tuple[tuple[str, str], ...]
    maps: tuple[RomMap, ...]
    made_by: str
