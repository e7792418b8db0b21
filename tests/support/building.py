"""Builds in this process, in a folder of the test's own."""

from __future__ import annotations

import os
from pathlib import Path

from pipeline.build.build import Build
from pipeline.build.flow import build_card
from pipeline.build.inputs import Inputs
from pipeline.store.store import Store
from pipeline.workspace.workspace import Workspace


def workspace_in(folder: Path, store: Store | None = None) -> Workspace:
    """Return the workspace of a folder with ``inputs`` in it."""
    return Workspace(folder / "inputs", folder / "build", folder, store)


def build_in(folder: Path, store: Store | None = None) -> Build:
    """Return a build of a folder with ``inputs`` in it."""
    return Build(Inputs(workspace_in(folder, store), epoch=os.environ.get("SOURCE_DATE_EPOCH")))


def build_card_in(folder: Path, card: str = "desk") -> list[str]:
    """Build a card, and return the line of each stage that ran."""
    lines: list[str] = []
    build_card(build_in(folder), card, lines.append)
    return lines
