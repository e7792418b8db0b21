"""A finished card and all that is known of it, as one value: what record and sheet are made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.errors import Problem
from pipeline.model.content import CardFile
from pipeline.model.manifest import Board, Card, Core, Station, Title
from pipeline.model.matrix import Outlook
from pipeline.model.plan import Plan, Proof
from pipeline.model.ranges import RomMap


@dataclass(frozen=True, slots=True, kw_only=True)
class Proven:
    """What was proven of an image by reading it back, and what was found of its bitstreams when it was written."""

    proof: Proof
    findings: tuple[Problem, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Silenced:
    """A problem set aside with a reason; ``by``: whose manifest says so, such as "card desk" or "board oak"."""

    problem: Problem
    reason: str
    by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FinishedCard:
    """A card whose image was written and read back.

    ``settings``: board setting to choice. ``files``: those the plan was made from. ``plan_sha256``: of the plan's text.
    ``timestamp_from``: "card", "SOURCE_DATE_EPOCH" or "default". ``made_by``: this program and its version.
    ``outlooks``: how each core and title fares at each of ``stations``. ``warnings``: what the rules say of the card;
    ``silenced``: what it, its board or a core sets aside; places are named from the folder of inputs on.
    """

    card: Card
    board: Board
    cores: tuple[Core, ...]
    titles: tuple[Title, ...]
    settings: Mapping[str, str]
    files: tuple[CardFile, ...]
    plan: Plan
    plan_sha256: str
    proof: Proof
    timestamp_from: str
    made_by: str
    stations: tuple[Station, ...] = ()
    outlooks: tuple[Outlook, ...] = ()
    warnings: tuple[Problem, ...] = ()
    silenced: tuple[Silenced, ...] = ()
    maps: tuple[RomMap, ...] = ()
