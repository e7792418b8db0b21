"""Lint and types are part of the contract, so they run with the tests."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize(
    "command",
    [
        ["ruff", "check", "."],
        ["ruff", "format", "--check", "."],
        ["mypy", "pipeline", "tests", "dodo.py"],
        # each with a cache of its own, since they run side by side
        *(
            ["mypy", "--platform", platform, "--cache-dir", f".mypy_cache/{platform}", "pipeline", "dodo.py"]
            for platform in ("win32", "darwin")
        ),
    ],
    ids=" ".join,
)
def test_code_is_clean(command: list[str]) -> None:
    result = subprocess.run([sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False)
    assert result.returncode == 0, result.stdout + result.stderr
