"""After a successful run: the snapshot of an up-to-date build, so that the next run need not look again."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.manifest.files import FOLDERS, SOURCES
from pipeline.manifest.load import values_of
from pipeline.model.manifest import Card, Core
from pipeline.workspace.owner import note_owner
from pipeline.workspace.uptodate import (
    FINE,
    Current,
    View,
    remember,
    same_but_for_manifests,
    seen_when_current,
    view_of_made,
)
from pipeline.workspace.workspace import Workspace

if TYPE_CHECKING:  # an unchanged build needs none
    from pipeline.build.build import Build
    from pipeline.build.inputs import Inputs


def keep_snapshot(
    build: Build, dodo: Path, check_lines: Callable[[], tuple[str, str] | None], are_current: Callable[[], bool]
) -> bool:
    """Keep that all is current, if it is beyond doubt; return whether it was kept.

    Beyond doubt: nothing that was read has changed since shortly before the run began; and every stage of every card,
    asked after what was made was looked at, has nothing to do. A later change shows in the next run's look.
    ``check_lines`` runs the check and gives what it says, ``are_current`` asks every stage of every card.
    """
    inputs, workspace = build.inputs, build.workspace
    manifests, watched = View(_manifests(workspace), listings=True), View(_watched(inputs, dodo), listings=True)
    if inputs.problems or not all(view.settled_before(workspace.started) for view in (manifests, watched)):
        return False
    made = _settled_made(workspace)
    if made is None:
        return False
    lines = check_lines()
    if lines is None or not are_current():
        return False
    remember(
        workspace.base,
        Current(
            dodo=str(dodo),
            manifests=manifests.seen,
            values=inputs.values,
            watched=watched.seen,
            places=tuple(inputs.manifest.sources.places),
            made=made.digest,
            told=lines[0],
            warned=lines[1],
        ),
    )
    return True


def unchanged(workspace: Workspace, dodo: Path) -> Current | None:
    """Return what was seen when all was current, if the manifests say the same, though written otherwise; else None.

    All else must look the same. Then nothing was wrong with them, and what they come to is the same: it follows from
    their values and from what else is looked at. What was warned of names lines of manifests, which may be others now:
    then all is asked again.
    """
    current = seen_when_current(workspace.base, dodo)
    if current is None or current.warned:
        return None
    if not current.values or values_of(workspace.inputs, workspace.base) != current.values:
        return None
    if not same_but_for_manifests(workspace.base, current):
        return None
    with suppress(OSError):  # what cannot be kept is looked at again by the next run
        note_owner(workspace)
        manifests, made = View(_manifests(workspace), listings=True), _settled_made(workspace)
        if made is not None and manifests.settled_before(workspace.started):
            remember(workspace.base, replace(current, manifests=manifests.seen, made=made.digest))
    return current


def _settled_made(workspace: Workspace) -> View | None:
    """Return what the built files look like, if a later edit is sure to show."""
    made = view_of_made(workspace.base)
    if not made.settled_before(time.time_ns()):
        time.sleep(FINE / 1_000_000_000)  # enough where times are fine; elsewhere the next run tries again
    return made if made.settled_before(time.time_ns()) else None


def _manifests(workspace: Workspace) -> list[Path]:
    return [workspace.inputs / name for name in (*FOLDERS.values(), *SOURCES)]


def _watched(inputs: Inputs, dodo: Path) -> list[Path]:
    """Return all that tells a run what to do but the manifests, each once."""
    workspace = inputs.workspace
    kept = [workspace.kept_folder(card) for card in inputs.manifest.cards]
    own = [workspace.inputs / name for name in (*_sum_lists(inputs), *inputs.trees_read())]
    return list(dict.fromkeys([dodo, workspace.inputs.parent / "schemas", *own, *kept]))


def _sum_lists(inputs: Inputs) -> list[str]:
    holders: list[Card | Core] = [*inputs.manifest.cards.values(), *inputs.manifest.cores.values()]
    return [sums.list_path for holder in holders for sums in holder.sums]
