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

    Beyond doubt: nothing that was read has changed since shortly before the run began; and every stage of every card,
    asked after what was made was looked at, has nothing to do. A later change shows in the next run's look.
    ``check_lines`` runs the check and gives what it says, ``are_current`` asks every stage of every card.
    """
    workspace = build.workspace
    inputs = {path: View([path], listings=True) for path in dict.fromkeys([dodo, *_watched(build.inputs)])}
    if not all(view.settled_before(workspace.started) for view in inputs.values()):
        return False
    made = view_of_made(workspace.base)
    if not made.settled_before(time.time_ns()):
        time.sleep(FINE / 1_000_000_000)  # enough where times are fine; elsewhere the next run tries again
    if not made.settled_before(time.time_ns()):
        return False
    lines = check_lines()
    if lines is None or not are_current():
        return False
    remember(
        workspace.base,
        Current(
            dodo=str(dodo),
            watched={str(path): view.digest for path, view in inputs.items()},
            places=tuple(build.inputs.manifest.sources.places),
            made=made.digest,
            told=lines[0],
            warned=lines[1],
        ),
    )
    return True


def _watched(inputs: Inputs) -> list[Path]:
    """Return all that tells a run what to do, manifests first: they change most often, and are quickly looked at."""
    workspace = inputs.workspace
    kept = [workspace.kept_folder(card) for card in inputs.manifest.cards]
    names = [*FOLDERS.values(), *SOURCES, *_sum_lists(inputs), *inputs.trees_read()]
    schemas = workspace.inputs.parent / "schemas"
    return [*(workspace.inputs / name for name in names), schemas, *kept]


def _sum_lists(inputs: Inputs) -> list[str]:
    holders: list[Card | Core] = [*inputs.manifest.cards.values(), *inputs.manifest.cores.values()]
    return [sums.list_path for holder in holders for sums in holder.sums]
