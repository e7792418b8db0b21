"""Will it work where it is used: what the rules say of each core and title of a card at each station."""

from __future__ import annotations

from dataclasses import dataclass

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
