"""What must be made again for a card, and why, told before it is done."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.stages import plan, sheet
from pipeline.stages.build import steps
from pipeline.stages.project import Project


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """One stage that is due. ``item``: the title or card; ``why``: in a few words."""

    stage: str
    item: str
    why: str


def due(project: Project, card_id: str) -> tuple[Due, ...]:
    """Return the stages of a card that must run, in their order; raises ManifestError.

    A later stage is told when what it was made from has changed by now. What an earlier stage makes anew can change
    more, and where it comes out equal, nothing more is done.
    """
    found = []
    titles = (title.id for title in plan.planned(project, card_id)[0].selection.titles if title.roms)
    for stage, reason, _ in steps(project, card_id):
        item = next(titles) if stage == "rom" else card_id  # both in the order of the card's titles
        why = reason()
        if why is not None:
            found.append(Due(stage=stage, item=item, why=why))
    try:
        why = sheet.reason(project, card_id)
    except FileNotFoundError:
        why = "there is no record yet"
    if why is not None:
        found.append(Due(stage="sheet", item=card_id, why=why))
    return tuple(found)
