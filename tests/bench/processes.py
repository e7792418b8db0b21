"""A first build of ten cards by one process and by two, and what of it only one process can do.

    python tests/bench/processes.py [--titles 2000] [--cards 10] [--chip 102400]

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
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.bench.noop import project
from tests.support.cli import BYTECODE, ROOT

SCRIPT = """
import resource, sys
from doit.doit_cmd import DoitMain
code = DoitMain().run(sys.argv[1:])
spent = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
print(*(usage.ru_utime + usage.ru_stime for usage in spent), *(usage.ru_maxrss for usage in spent))
sys.exit(code)
"""


def built(folder: Path, processes: int, **environment: str) -> tuple[float, list[float]]:
    """Build from nothing; return seconds of wall, and processor seconds and KiB of the main and of other processes."""
    shutil.rmtree(folder / "build", ignore_errors=True)
    words = [sys.executable, "-c", SCRIPT, "run", "-f", str(ROOT / "dodo.py"), "-d", str(folder), "-n", str(processes)]
    start = time.perf_counter()
    done = subprocess.run(
        words, env={**os.environ, **BYTECODE, **environment}, capture_output=True, text=True, check=True
    )
    return time.perf_counter() - start, [float(word) for word in done.stdout.splitlines()[-1].split()]


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    for name, value in (("titles", 2000), ("cards", 10), ("chip", 100 << 10)):
        parser.add_argument(f"--{name}", type=int, default=value)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="bench-") as temporary:
        folder = Path(temporary)
        project(folder, asked.titles, asked.cards, asked.chip)
        built(folder, 1)
        alone, (cost, *_) = built(folder, 1)
        beside, (own, others, peak, largest) = built(folder, 2)
    share = own / (own + others)
    print(f"one process {alone:.1f} s ({cost:.1f} s of processor), two {beside:.1f} s, ratio {beside / alone:.2f}")
    print(f"with two: {own:.1f} s of processor in the main process, {others:.1f} s in others; serial share {share:.0%}")
    print(", ".join(f"{count} processors: {1 / (share + (1 - share) / count):.1f} times" for count in (2, 4, 8, 16)))
    print(f"peak memory: {peak / 1024:.0f} MiB in the main process, {largest / 1024:.0f} MiB in the largest other one")


if __name__ == "__main__":
    main()
