"""How long it takes to read manifests: `python tests/bench/manifests.py [TITLES]`.

Prints the least CPU seconds and the most memory of some processes that do nothing else: loading all, with a mistake in
one title, and parsing alone by the standard library.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

ROUNDS = 7
LOAD = """
import resource, sys, time
from pathlib import Path
from pipeline.manifest.load import load
start = time.process_time()
{}
print(time.process_time() - start, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
"""
PARSE = "import tomllib\nfor path in Path('inputs').glob('*/*.toml'): tomllib.loads(path.read_text('utf-8'))"
BROKEN = "from pipeline.errors import ManifestError\ntry: load(Path('inputs'))\nexcept ManifestError: pass"


def measure(what: str, program: str, folder: Path) -> None:
    """Print what a program takes in processes of its own."""
    seconds: list[float] = []
    memory: list[float] = []
    for _ in range(ROUNDS):
        words = [sys.executable, "-c", LOAD.format(program)]
        environment = {"PYTHONPATH": str(Path(__file__).parents[2])}
        done = subprocess.run(words, cwd=folder, env=environment, capture_output=True, text=True, check=True)
        for value, values in zip(map(float, done.stdout.split()), (seconds, memory), strict=True):
            values.append(value)
    print(f"{what:<24} {min(seconds):6.2f} s  {max(memory):4.0f} MiB")


def main(titles: int = 2000) -> None:
    from tests.bench.noop import project

    with TemporaryDirectory(prefix="cardkiln-bench-") as name:
        folder = Path(name, "project")
        project(folder, titles, 10)
        measure("parsing by tomllib", PARSE, folder)
        measure("all", "load(Path('inputs'))", folder)
        with (folder / "inputs/titles/t-0.toml").open("a", encoding="utf-8") as file:
            file.write("mistake = 1\n")
        measure("with a mistake", BROKEN, folder)


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[2]))
    main(*map(int, sys.argv[1:2]))
