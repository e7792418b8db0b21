"""A folder below the build folder for what is needed only as long as a command works."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.workspace.workspace import Workspace


@contextmanager
def scratch_folder(workspace: Workspace, name: str) -> Iterator[Path]:
    """Give the path of a folder that is not there; it is removed afterwards, and what a killed run left before.

    The caller holds the lock of the build folder.
    """
    folder = workspace.build / name
    shutil.rmtree(folder, ignore_errors=True)
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
