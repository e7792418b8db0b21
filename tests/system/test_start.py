"""What is listed or asked for is there at once: no part of the build is loaded before it is needed."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.support import small
from tests.support.cli import ROOT

LOADED = "import sys; print(*sorted(name for name in sys.modules if name.startswith('pipeline.')), sep='\\n')"


def loaded_by(folder: Path, *arguments: str) -> set[str]:
    """Return our modules that are loaded when a command has ended."""
    code = f"""
import atexit
atexit.register(lambda: exec({LOADED!r}))
from pipeline.engine.main import main
import sys
sys.argv = ["doit", *{list(arguments)!r}]
main()
"""
    words = [sys.executable, "-c", code]
    done = subprocess.run(words, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return {line for line in done.stdout.splitlines() if line.startswith("pipeline.")}


@pytest.mark.parametrize(
    "arguments",
    [
        ["version"],
        ["list", "-f", str(ROOT / "dodo.py"), "-d", "."],
        ["list", "--all", "-f", str(ROOT / "dodo.py"), "-d", "."],
    ],
    ids=["version", "list", "list --all"],
)
def test_a_list_loads_no_part_of_the_build(arguments: list[str], tmp_path: Path) -> None:
    names = loaded_by(small.small_project(tmp_path), *arguments)
    assert len(names) < 40
    heavy = ("build", "image", "roms", "record", "sheet", "volume", "sources.index", "manifest.load")
    assert [name for name in names if name.removeprefix("pipeline.").startswith(heavy)] == []
