"""How well and how fast titles are divided over cards: `python -m tests.bench.divide`.

Random cases, with the extra ``divide`` and without it: how many cards all take together, how many of the divisions are
proved to be the fewest, and processor seconds of each.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Sequence
from dataclasses import replace

from pipeline.planner import solver
from pipeline.planner.divide import divide
from pipeline.planner.item import Limits, PackingItem
from tests.unit.planner.test_divide import BOTH, large_items, random_items

MANY = Limits(rooms=tuple(replace(room, clusters=room.clusters * 601) for room in BOTH.rooms))
CASES: dict[str, tuple[Limits, list[list[PackingItem]]]] = {
    "8 cores": (BOTH, [random_items(seed, 8, 60) for seed in range(20)]),
    "20 cores": (BOTH, [random_items(seed, 20, size) for seed in range(6) for size in (20, 45, 60, 75)]),
    "40 cores": (BOTH, [random_items(seed, 40, size) for seed in range(6) for size in (20, 45, 60, 75, 90)]),
    "40 cores, many clusters": (MANY, [large_items(seed, size) for seed in range(1, 5) for size in (20, 45, 60, 75)]),
}


def measure(name: str, limits: Limits, cases: Sequence[Sequence[PackingItem]], effort: float) -> None:
    """Print what all cases come to."""
    seconds, cards, proved = [], 0, 0
    for items in cases:
        start = time.process_time()
        division = divide(items, limits, effort=effort)
        seconds.append(time.process_time() - start)
        cards += len(division.cards)
        proved += division.is_proved
    print(f"  {name}: {cards} cards, {proved} of {len(cases)} proved; ", end="")
    print(f"median {statistics.median(seconds):.3f} s, most {max(seconds):.2f} s")


def main() -> None:
    """Print all cases with and without the solver."""
    for title, effort in (("with the solver", solver.EFFORT), ("without", 0)):
        print(title)
        for name, (limits, cases) in CASES.items():
            measure(name, limits, cases, effort)


if __name__ == "__main__":
    main()
