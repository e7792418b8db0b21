"""The whole way of a card, from its manifests to its sheet, without an engine.

Chips become ROM files; with these a ``CardBuild`` is born, whose properties are the way: selection, files, config
files, plan. The stages write what it comes to: plan, config files, image (read back, and so proven), record, sheet.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.build import check, config, find, image, plan, record, sheet
from pipeline.build.build import Build
from pipeline.build.card import CardBuild
from pipeline.build.rom import TitleRoms
from pipeline.errors import CheckError, Place, Problem
from pipeline.workspace.stamp import NEW
from pipeline.workspace.workspace import how_to_build


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """One stage of a card: why it must run (None: up to date), and running it, which returns what was done.

    ``reads_sources``: whether it may need contents from the user's sources, so that they are searched before.
    """

    name: str
    reason: Callable[[CardBuild], str | None]
    run: Callable[[CardBuild], str]
    reads_sources: bool = False


STAGES = (
    Stage(name="plan", reason=plan.reason, run=plan.run, reads_sources=True),
    Stage(name="config", reason=config.reason, run=config.run),
    Stage(name="image", reason=image.reason, run=image.run, reads_sources=True),
    Stage(name="record", reason=record.reason, run=record.run),
    Stage(name="sheet", reason=sheet.reason, run=sheet.run),
)
"""In the order they run, after the ROM files of the card's titles."""


def build_card(build: Build, card_id: str, say: Callable[[str], None], stages: Sequence[Stage] = STAGES) -> None:
    """Check the manifests, and run every stage of a card that is out of date; ``say`` is given the line of each."""
    check.run(build)
    for roms in build.roms_of(card_id):
        if roms.reason() is not None:
            find.complete(build)
            say(f"rom     {build_title(build, roms)}")
    card = build.card(card_id)
    for stage in stages:
        if stage.reason(card) is not None:
            if stage.reads_sources:
                find.complete(build)
            say(f"{stage.name:<8}{stage.run(card)}")
    build.workspace.unsynced.sync()


def build_title(build: Build, roms: TitleRoms) -> str:
    """Build a title's ROM files from its chips, all of which were found; return what was done."""
    return roms.build(build.inputs.search.locations)


def out_of_date(build: Build, card_id: str) -> Iterator[tuple[str, str]]:
    """Yield each stage of a card that must run, with the reason, in the order they run."""
    for roms in build.roms_of(card_id):
        if why := roms.reason():
            yield "rom", why
    card = build.card(card_id)
    for stage in STAGES:
        if why := stage.reason(card):
            yield stage.name, why


def first_out_of_date(build: Build, card_id: str) -> str | None:
    """Return the first stage of a card that must run, with the reason; None when image and record are up to date.

    The sheet may be out of date: it says nothing that the record does not.
    """
    return next((f"{stage}: {why}" for stage, why in out_of_date(build, card_id) if stage != "sheet"), None)


def built_image(build: Build, card_id: str) -> tuple[Path, str | None]:
    """Return where a card's image is built, and why it is not current, None when it is."""
    path = build.workspace.card_folder(card_id) / "card.img"
    return path, first_out_of_date(build, card_id) if path.exists() else NEW


def not_current(why: str) -> str:
    """Return in words that an output is missing or out of date."""
    return "is not built yet" if why == NEW else f"is out of date: {why}"


def problem_of(build: Build, card_id: str) -> Problem | None:
    """Return the problem that a card's build is out of date, and what to type; None when it is up to date."""
    why = first_out_of_date(build, card_id)
    if why is None:
        return None
    file = build.inputs.manifest.cards[card_id].file
    return Problem(Place(file), f"the build is out of date: {why}", how_to_build(card_id))


def refuse_out_of_date(build: Build, card_id: str) -> None:
    """Raise CheckError for a card whose build is not what its manifests say."""
    problem = problem_of(build, card_id)
    if problem:
        raise CheckError([problem])
