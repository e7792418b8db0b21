"""All stages of one card in their order, without an engine: whether it is finished, and finishing it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from types import ModuleType

from pipeline.build import check, config, find, image, plan, record, rom
from pipeline.card.select import select
from pipeline.errors import CheckError, Place, Problem
from pipeline.workspace.project import Project

Step = tuple[str, Callable[[], str | None], Callable[[], str]]
"""The stage's word, why it must run (None: it need not), and running it."""


def unfinished(project: Project, card_id: str) -> str | None:
    """Return which stage of the card must run again and why, None when all is as declared."""
    for stage, reason, _ in steps(project, card_id):
        why = reason()
        if why is not None:
            return f"{stage}: {why}"
    return None


def not_finished(project: Project, card_id: str) -> Problem | None:
    """Return that the card's build is not what its manifests say, and what to type; None when it is."""
    why = unfinished(project, card_id)
    if why is None:
        return None
    what = f"the build is not what the manifests say: {why}"
    return Problem(Place(project.manifest.cards[card_id].file), what, building(card_id))


def refuse_unfinished(project: Project, card_id: str) -> None:
    """Raise CheckError for a card whose build is not what its manifests say."""
    problem = not_finished(project, card_id)
    if problem:
        raise CheckError([problem])


def building(card_id: str) -> str:
    """Return what to type so that all of a card is made, its sheet too."""
    return f"doit sheet:{card_id}"


def build(project: Project, card_id: str, say: Callable[[str], None]) -> None:
    """Check the manifests, and run every stage that must; ``say`` is given the line of each."""
    check.run(project)
    for stage, reason, run in steps(project, card_id):
        if reason() is not None:
            say(f"{stage:<8}{run()}")
    project.unsynced.sync()


def steps(project: Project, card_id: str) -> Iterator[Step]:
    """Yield the stages of a card in the order they run."""
    selection = select(project.manifest, project.manifest.cards[card_id])

    def searched(stage: ModuleType, item: str) -> str:
        line: str = stage.run(project, item, find.complete(project))
        return line

    for title in selection.titles:
        if title.roms:
            yield "rom", partial(rom.reason, project, title.id), partial(searched, rom, title.id)
    yield "plan", partial(plan.reason, project, card_id), partial(plan.run, project, card_id)
    yield "config", partial(config.reason, project, card_id), partial(config.run, project, card_id)
    yield "image", partial(image.reason, project, card_id), partial(searched, image, card_id)
    yield "record", partial(record.reason, project, card_id), partial(record.run, project, card_id)
