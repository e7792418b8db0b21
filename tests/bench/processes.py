"""A first build of ten cards by one process and by two, and what of it only one process can do.

    python tests/bench/processes.py [--titles 2000] [--cards 10] [--chip 102400] [--rounds 3]

The serial share is the processor time of the main process in the whole, with two processes: what it does no other can.
From it follows how many times quicker 2, 4, 8 and 16 processors can be at most (Amdahl's law). Everything is made in a
temporary folder (TMPDIR) and removed again; the full run takes some 10 GB there.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.bench.noop import project
from tests.support.cli import BYTECODE, ROOT

SCRIPT = """
import atexit, resource
from pipeline.engine.main import main

def tell():
    usage = resource.getrusage(resource.RUSAGE_SELF)
    print(usage.ru_utime + usage.ru_stime, usage.ru_maxrss)

atexit.register(tell)
main()
"""


@dataclass(frozen=True)
class Cost:
    """Seconds of wall, seconds of processor of all processes and of the main one, and KiB of it and of the largest."""

    wall: float
    processor: float
    main: float
    main_peak: int
    largest: int


def built(folder: Path, processes: int, **environment: str) -> Cost:
    """Build from nothing, with nothing of an earlier build left for the disk to do."""
    shutil.rmtree(folder / "build", ignore_errors=True)
    os.sync()
    words = [sys.executable, "-c", SCRIPT, "run", "-f", str(ROOT / "dodo.py"), "-d", str(folder), "-n", str(processes)]
    start = time.perf_counter()
    with subprocess.Popen(
        words, env={**os.environ, **BYTECODE, **environment}, stdout=subprocess.PIPE, text=True
    ) as running:
        assert running.stdout
        main, peak = running.stdout.read().splitlines()[-1].split()
        _, code, usage = os.wait4(running.pid, 0)  # with what it left to be ended with it
        running.returncode = code
    assert code == 0
    wall = time.perf_counter() - start
    return Cost(wall, usage.ru_utime + usage.ru_stime, float(main), int(peak), usage.ru_maxrss)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    for name, value in (("titles", 2000), ("cards", 10), ("chip", 100 << 10), ("rounds", 3)):
        parser.add_argument(f"--{name}", type=int, default=value)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="bench-") as temporary:
        folder = Path(temporary)
        project(folder, asked.titles, asked.cards, asked.chip)
        built(folder, 1)
        rounds = [(built(folder, 1), built(folder, 2)) for _ in range(asked.rounds)]
    alone, beside = (
        sorted(costs, key=lambda cost: cost.wall)[asked.rounds // 2] for costs in zip(*rounds, strict=True)
    )
    share = beside.main / beside.processor
    ratio = beside.wall / alone.wall
    print(f"one process {alone.wall:.1f} s ({alone.processor:.1f} s of processor), two {beside.wall:.1f} s", end=" ")
    print(f"({beside.processor:.1f} s); ratio {ratio:.2f}, of {asked.rounds} rounds each the one of median wall time")
    print(f"with two: {beside.main:.1f} s of processor in the main process; serial share {share:.0%}")
    print(", ".join(f"{count} processors: {1 / (share + (1 - share) / count):.1f} times" for count in (2, 4, 8, 16)))
    print(f"peak memory: {beside.main_peak / 1024:.0f} MiB in the main process, {beside.largest / 1024:.0f} in any")


if __name__ == "__main__":
    main()
