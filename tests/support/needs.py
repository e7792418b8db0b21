"""What a test needs of the machine: without it the test is skipped, and fails where CI is set, since CI has it all."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NoReturn

import pytest

NOBODY = 65534
"""What Linux shows for a user that it does not know."""


def missing(reason: str) -> NoReturn:
    """End the test that cannot run here: skipped, or failed where CI is set."""
    if os.environ.get("CI"):
        pytest.fail(f"{reason}, and CI is set")
    pytest.skip(reason)


@contextmanager
def without_privileges() -> Iterator[None]:
    """Be nobody for a while where the tests are run by root, who may read and write everything."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)


@contextmanager
def public_folder() -> Iterator[Path]:
    """Give a temporary folder that every user may read; those of pytest are its user's alone."""
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o755)
        yield Path(name).resolve()
