"""After a successful run: the snapshot of an up-to-date build, so that the next run need not look again."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

from pipeline.build.build import Build
from pipeline.build.inputs import Inputs
from pipeline.manifest.files import FOLDERS, SOURCES
from pipeline.model.manifest import Card, Core
from pipeline.workspace.uptodate import FINE, Current, View, remember, view_of_made


def keep_snapshot(
    build: Build, dodo: Path, check_lines: Callable[[], tuple[str, str] | None], are_current: Callable[[], bool]
) -> bool:
    """Keep that all is current, if it is beyond doubt; return whether it was kept.

    Beyond doubt: nothing that was read has changed since shortly before the run began; every stage of every card,
    asked once more, has nothing to do; and what was made looked the same before and after they were asked.
    ``check_lines`` runs the check and gives what it says, ``are_current`` asks every stage of every card.
    """
    workspace = build.workspace
    watched = sorted({dodo, *_watched(build.inputs)})
    inputs = View(watched)
    if not inputs.settled_before(workspace.started):
        return False
    made = view_of_made(workspace.base)
    if not made.settled_before(time.time_ns()):
        time.sleep(FINE / 1_000_000_000)  # enough where times are fine; elsewhere the next run tries again
    if not made.settled_before(time.time_ns()):
        return False
    lines = check_lines()
    if lines is None or not are_current():
        return False
    if view_of_made(workspace.base).digest != made.digest or View(watched).digest != inputs.digest:
        return False
    remember(
        workspace.base,
        Current(
            dodo=str(dodo),
            watched=tuple(str(path) for path in watched),
            places=tuple(build.inputs.manifest.sources.places),
            inputs=inputs.digest,
            made=made.digest,
            told=lines[0],
            warned=lines[1],
        ),
    )
    return True


def _watched(inputs: Inputs) -> list[Path]:
    workspace = inputs.workspace
    kept = [workspace.kept_folder(card) for card in inputs.manifest.cards]
    names = [*FOLDERS.values(), *SOURCES, *_sum_lists(inputs), *inputs.trees_read()]
    schemas = workspace.inputs.parent / "schemas"
    return [schemas, *kept, *(workspace.inputs / name for name in names)]


def _sum_lists(inputs: Inputs) -> set[str]:
    holders: list[Card | Core] = [*inputs.manifest.cards.values(), *inputs.manifest.cores.values()]
    return {sums.list_path for holder in holders for sums in holder.sums}
