"""The last builds of each card, below ``build/state/builds``: record and plan, so that an older card is known again."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from pipeline.file_digest import sha256_of_file
from pipeline.workspace import state
from pipeline.workspace.workspace import Workspace

MOST = 4
"""Builds of a card that are kept, the one in its folder among them."""

LARGEST = 64 << 20
"""Bytes of records and plans of a card that are kept beside the newest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildHistory:
    """The SHA-256 of the plans of a card's builds, oldest first; each names the files that are kept of it."""

    plans: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not all(re.fullmatch("[0-9a-f]{64}", plan) for plan in self.plans):
            raise ValueError("expected SHA-256 sums")


def keep_build(workspace: Workspace, card: str, record: Path, plan: Path) -> None:
    """Keep record and plan of a build, which lie in files, as the newest one of a card, and drop the oldest.

    Raises OSError.
    """
    listed = workspace.stamp("builds", card)
    known = (state.read(listed, BuildHistory) or BuildHistory()).plans
    digest = sha256_of_file(plan)
    for path, file in zip(_files(listed, digest), (record, plan), strict=True):
        state.write_file(path, file, sync=False)
    kept, total = [digest], 0
    for earlier in reversed([plan for plan in known if plan != digest]):
        total += sum(path.stat().st_size for path in _files(listed, earlier) if path.is_file())
        if len(kept) == MOST or total > LARGEST:
            break
        kept.insert(0, earlier)
    state.write(listed, BuildHistory(plans=tuple(kept)), sync=False)
    wanted = {listed, *(path for plan in kept for path in _files(listed, plan))}
    for path in listed.parent.glob(f"{card}.*"):
        if path not in wanted:
            state.remove_irregular(path)
            path.unlink(missing_ok=True)


def kept_builds(workspace: Workspace, card: str) -> Iterator[tuple[bytes, bytes]]:
    """Yield record and plan of each build that is kept of a card, the newest first; what is damaged is left out."""
    listed = workspace.stamp("builds", card)
    for digest in reversed((state.read(listed, BuildHistory) or BuildHistory()).plans):
        record, plan = (state.read_text(path) for path in _files(listed, digest))
        if record is not None and plan is not None:
            yield record, plan


def _files(listed: Path, digest: str) -> tuple[Path, Path]:
    """Return where record and plan of a build are kept."""
    name = f"{listed.stem}.{digest[:16]}"
    return listed.with_name(f"{name}.record"), listed.with_name(f"{name}.plan")
