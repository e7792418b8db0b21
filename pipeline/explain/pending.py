"""What must be made again for a card, and why, told before it is done."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.build import config, image, plan, record, rom, sheet
from pipeline.card.plan_text import plan_to_text
from pipeline.explain.pending_changes import differing
from pipeline.workspace.project import Project
from pipeline.workspace.stamp import NEW


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """One stage that is due. ``item``: the title or card; ``why``: in a few words."""

    stage: str
    item: str
    why: str


def due(project: Project, card_id: str) -> tuple[Due, ...]:
    """Return the stages of a card that must run, in their order, with those that follow from them.

    Raises CardkilnError. What follows from a ROM file whose bytes are known only when it is made is told too; where it
    comes out equal, that is not done.
    """
    titles = [title.id for title in plan.planned(project, card_id)[0].selection.titles if title.roms]
    whys = [("rom", title, rom.reason(project, title)) for title in titles]
    whys += [("plan", card_id, plan.reason(project, card_id)), ("config", card_id, config.reason(project, card_id))]
    whys.append(("image", card_id, image.reason(project, card_id, _plan_text(project, card_id))))
    found = [Due(stage=stage, item=item, why=why) for stage, item, why in whys if why is not None]
    before = {one.stage for one in found}
    if record_why := _record(project, card_id, before):
        found.append(Due(stage="record", item=card_id, why=record_why))
    why = sheet.reason(project, card_id)
    if why != NEW and found and found[-1].stage == "record":
        why = "the record changes"
    if why is not None:
        found.append(Due(stage="sheet", item=card_id, why=why))
    return tuple(found)


def _plan_text(project: Project, card_id: str) -> bytes:
    return plan_to_text(plan.planned(project, card_id)[1]).encode()


def _record(project: Project, card_id: str, due_before: set[str]) -> str | None:
    """Return why the record must be written again; with another plan the image is another one, else it is the same."""
    if not due_before & {"plan", "image"}:
        return record.reason(project, card_id)
    if not (project.card_folder(card_id) / record.FILES[0]).is_file():
        return NEW
    if due_before >= {"plan", "image"}:
        return "the image changes"
    return "it no longer says what is so" if differing(project, card_id) else None
