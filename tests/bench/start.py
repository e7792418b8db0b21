"""How long each command takes to start, beside doit itself: `python tests/bench/start.py`.

Prints the least processor seconds of some runs of ``doit COMMAND --help``: all that happens before a command does its
work. doit's own start is its ``list`` of no tasks, without our script and commands. Then whole runs of commands that
only read manifests, over the demo's.
"""

from __future__ import annotations

import resource
import shutil
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.support.cli import COMMANDS, DEMO, ROOT

ROUNDS = 7
DOIT = """
from doit.cmd_base import ModuleTaskLoader
from doit.doit_cmd import DoitMain
DoitMain(ModuleTaskLoader({})).run(["list"])
"""
OURS = "import sys; from pipeline.engine.main import main; sys.argv[0] = 'doit'; main()"
RUNS = (["list", "-f", str(ROOT / "dodo.py"), "-d", "."], ["help"], ["keys", "title"], ["jobs"], ["map", "moth-pantry"])


def seconds(folder: Path, code: str, *arguments: str) -> float:
    """Return the least processor seconds of a process that runs the code."""
    took = []
    for _ in range(ROUNDS):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        words = [sys.executable, "-c", code, *arguments]
        subprocess.run(words, cwd=folder, env={"PYTHONPATH": str(ROOT)}, capture_output=True, check=True)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        took.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return min(took)


def main() -> None:
    """Print all, each with its ratio to doit's own start."""
    with TemporaryDirectory(prefix="bench-") as temporary:
        folder = Path(temporary)
        shutil.copytree(DEMO, folder / "inputs", symlinks=True)
        own = seconds(folder, DOIT)
        print(f"{'doit itself':<24} {own:.3f} s")
        for words in [*([name, "--help"] for name in sorted(COMMANDS)), *RUNS]:
            took = seconds(folder, OURS, *words)
            print(f"{' '.join(words[:2]):<24} {took:.3f} s  {took / own:.1f} times")


if __name__ == "__main__":
    main()
