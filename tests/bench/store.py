"""A first build without a store, with an empty one, and with one that has every ROM file, by one process and by two.

    python tests/bench/store.py [--titles 2000] [--cards 10] [--chip 4096] [--rounds 3]

The store is a folder. Medians of seconds; processor time is that of all processes, and of the main one alone.
Everything is made in a temporary folder (TMPDIR) and removed again.
"""

from __future__ import annotations

import argparse
import shutil
import statistics
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.bench.noop import project
from tests.bench.processes import built


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    for name, value in (("titles", 2000), ("cards", 10), ("chip", 4096), ("rounds", 3)):
        parser.add_argument(f"--{name}", type=int, default=value)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="bench-") as temporary:
        folder, store = Path(temporary) / "project", Path(temporary) / "store"
        project(folder, asked.titles, asked.cards, asked.chip)
        built(folder, 1)
        took: dict[tuple[str, int], list[tuple[float, float, float]]] = {}
        for _ in range(asked.rounds):
            for processes in (1, 2):
                shutil.rmtree(store, ignore_errors=True)
                for kind in ("no store", "empty store", "full store"):
                    environment = {} if kind == "no store" else {"CARDKILN_STORE": str(store)}
                    cost = built(folder, processes, **environment)
                    took.setdefault((kind, processes), []).append((cost.wall, cost.processor, cost.main))
        for (kind, processes), rounds in sorted(took.items()):
            wall, processor, main_one = (statistics.median(seconds) for seconds in zip(*rounds, strict=True))
            print(f"{kind:<11} -n {processes}: {wall:5.1f} s, {processor:4.1f} s of processor, {main_one:4.1f} s")


if __name__ == "__main__":
    main()
