"""After a run in which all went well: whether all is current, so that the next run need not look again."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

from pipeline.build import sheet
from pipeline.build.sequence import unfinished
from pipeline.manifest.text.read import FOLDERS, SOURCES
from pipeline.model.manifest import Card, Core
from pipeline.workspace.project import Project
from pipeline.workspace.uptodate import FINE, Current, View, remember, view_of_made


def settle(project: Project, dodo: Path, said: Callable[[], tuple[str, str] | None]) -> bool:
    """Keep that all is current, if it is beyond doubt; return whether it was kept.

    Beyond doubt: nothing that was read has changed since shortly before the run began; every stage of every card,
    asked once more, has nothing to do; and what was made looked the same before and after they were asked.
    ``said`` runs the check and gives what it says.
    """
    watched = sorted({dodo, *_watched(project)})
    inputs = View(watched)
    if not inputs.settled_before(project.started):
        return False
    made = view_of_made(project.base)
    if not made.settled_before(time.time_ns()):
        time.sleep(FINE / 1_000_000_000)  # enough where times are fine; elsewhere the next run tries again
    if not made.settled_before(time.time_ns()):
        return False
    project.roms.clear()  # looked at before; now once more
    lines = said()
    if lines is None or any(
        unfinished(project, card) or sheet.reason(project, card) for card in project.names("cards")
    ):
        return False
    if view_of_made(project.base).digest != made.digest or View(watched).digest != inputs.digest:
        return False
    remember(
        project.base,
        Current(
            dodo=str(dodo),
            watched=tuple(str(path) for path in watched),
            places=tuple(project.manifest.sources.places),
            inputs=inputs.digest,
            made=made.digest,
            told=lines[0],
            warned=lines[1],
        ),
    )
    return True


def _watched(project: Project) -> list[Path]:
    manifests = [project.inputs / folder for folder in FOLDERS.values()]
    kept = [project.inputs / "kept" / card for card in project.names("cards")]
    sums = [project.inputs / one for one in _sum_lists(project)]
    trees = [project.inputs / path for path in project.trees_read()]
    schemas = project.inputs.parent / "schemas"
    return [*manifests, *(project.inputs / name for name in SOURCES), schemas, *kept, *sums, *trees]


def _sum_lists(project: Project) -> set[str]:
    holders: list[Card | Core] = [*project.manifest.cards.values(), *project.manifest.cores.values()]
    return {sums.list_path for holder in holders for sums in holder.sums}
