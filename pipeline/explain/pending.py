"""What must be made again for a card, and why, told before it is done."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.build import config, image, plan, record, sheet
from pipeline.build.build import Build
from pipeline.build.card import CardBuild
from pipeline.explain.pending_changes import differing
from pipeline.workspace.stamp import NEW


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """One stage that is due. ``item``: the title or card; ``why``: in a few words."""

    stage: str
    item: str
    why: str


def due(build: Build, card_id: str) -> tuple[Due, ...]:
    """Return the stages of a card that must run, in their order, with those that follow from them.

    Raises CardkilnError. What follows from a ROM file whose bytes are known only when it is made is told too; where it
    comes out equal, that is not done.
    """
    card = build.card(card_id)
    reasons = [("rom", roms.title.id, roms.reason()) for roms in build.roms_of(card_id)]
    reasons += [("plan", card_id, plan.reason(card)), ("config", card_id, config.reason(card))]
    reasons.append(("image", card_id, image.reason(card, card.plan_sha256)))
    found = [Due(stage=stage, item=item, why=why) for stage, item, why in reasons if why is not None]
    before = {stage_due.stage for stage_due in found}
    if record_why := _record(card, before):
        found.append(Due(stage="record", item=card_id, why=record_why))
    why = sheet.reason(card)
    if why != NEW and found and found[-1].stage == "record":
        why = "the record changes"
    if why is not None:
        found.append(Due(stage="sheet", item=card_id, why=why))
    return tuple(found)


def _record(card: CardBuild, due_before: set[str]) -> str | None:
    """Return why the record must be written again; with another plan the image is another one, else it is the same."""
    if not due_before & {"plan", "image"}:
        return record.reason(card)
    if not (card.folder / record.FILES[0]).is_file():
        return NEW
    if due_before >= {"plan", "image"}:
        return "the image changes"
    return "record.json is out of date" if differing(card) else None
