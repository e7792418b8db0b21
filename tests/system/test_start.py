"""What is listed or asked for is there at once: no part of the build is loaded before it is needed.

Modules are counted, not seconds; ``tests/bench/start.py`` prints the seconds.
"""

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


BEFORE_IT_RUNS = {
    "commands.arguments",
    "engine.console",
    "engine.help_text",
    "errors",
    "manifest.files",
    "model.text",
    "model.units",
    "printable",
    "resources",
    "workspace.atomic_write",
    "workspace.state",
}
"""What a command may load for its options and its help: small, and of use to nearly every command."""


def test_a_command_loads_what_it_runs_only_when_it_runs() -> None:
    code = f"""
from importlib.metadata import entry_points
for entry in entry_points(group="doit.COMMAND"):
    if entry.name != "run":  # imports nothing before it has looked whether there is anything to do
        entry.load()().help()
{LOADED}
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    names = {name.removeprefix("pipeline.") for name in done.stdout.split()}
    inner = {name for name in names if "." in name}
    assert inner - BEFORE_IT_RUNS == {name for name in inner if name.startswith("commands.")} - BEFORE_IT_RUNS


OUTPUTS = ("image", "record", "sheet", "volume", "sources.index", "publish")


@pytest.mark.parametrize(
    ("arguments", "never"),
    [
        (["map", "snail-race"], ("build.build", "build.card", *OUTPUTS)),
        (["jobs"], ("build.build", "build.card", "roms", *OUTPUTS)),
        (["keys", "title"], ("build", "roms", *OUTPUTS)),
        (["diff", "a", "b"], ("build", "roms", "image.write", "sheet", "manifest.load")),
    ],
    ids=["map", "jobs", "keys", "diff"],
)
def test_a_command_loads_no_part_that_it_does_not_need(
    arguments: list[str], never: tuple[str, ...], tmp_path: Path
) -> None:
    folder = small.small_project(tmp_path)
    for name in ("a", "b"):
        (folder / name).mkdir()
    inner = (name.removeprefix("pipeline.") for name in loaded_by(folder, *arguments))
    assert [name for name in inner if f"{name}.".startswith(tuple(f"{part}." for part in never))] == []
