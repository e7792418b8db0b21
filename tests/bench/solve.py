"""How long ``solve`` takes, how much memory, and how many random recipes it finds.

    python tests/bench/solve.py [recipes]

Files of 16 chips, 64 KiB to 1 MiB: whole chips, lanes, lanes and exchanged lines together, and noise in which nothing
can be found. Each runs in a process of its own; processor time, since the machine may be shared.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

KINDS = ("chips", "lanes", "mixed", "noise")
SIZES = (64, 256, 1024)


def finished(kind: str, chips: list[bytes], seed: int) -> bytes:
    """Return a file of 16 chips arranged in one way."""
    from random import Random

    import numpy as np

    random = Random(seed)

    def lanes(parts: list[bytes], unit: int) -> bytes:
        return np.stack([np.frombuffer(part, np.uint8).reshape(-1, unit) for part in parts], 1).tobytes()

    if kind == "chips":
        return b"".join(chips)
    if kind == "lanes":
        return lanes(chips[:8], 1) + lanes(chips[8:10], 2) + lanes(chips[10:14], 1) + lanes(chips[14:], 2)
    if kind == "noise":
        return random.randbytes(sum(map(len, chips)))
    order = random.sample(range(len(chips[0]).bit_length() - 1), len(chips[0]).bit_length() - 1)
    places = np.arange(len(chips[0]))
    moved = np.bitwise_or.reduce([(places >> line & 1) << k for k, line in enumerate(order)])
    turned = [
        np.frombuffer(chips[12], "<u2").byteswap().tobytes(),
        bytes(np.frombuffer(chips[13], np.uint8)[moved]),
        np.invert(np.frombuffer(chips[14], np.uint8)).tobytes(),
        b"\xff" * len(chips[15]),
    ]
    return lanes(chips[:8], 1) + lanes(chips[8:12], 2) + b"".join(turned)


def measured(kind: str, kib: int) -> None:
    """Solve one file in this process and print what it took."""
    import resource
    import time
    from random import Random

    from pipeline.solve.solve import solve

    random = Random(kib)
    chips = {f"c{n}": random.randbytes(kib * 1024 // 16) for n in range(16)}
    data = finished(kind, list(chips.values()), kib + 1)
    before = time.process_time()
    solution = solve(data, chips)
    spent = time.process_time() - before
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    share = 100 * solution.explained / len(data)
    print(
        f"{kind:6} {kib:5} KiB: {spent:6.2f} s, {peak:4} MiB, {len(solution.rom.steps)} steps, {share:.0f} % explained"
    )


def recipes(count: int) -> None:
    """Print how many of the random recipes are found."""
    from pipeline.solve.solve import solve
    from tests.support.recipes import counted, recipe

    whole = found = 0
    for seed in range(count):
        made = recipe(seed)
        solution = solve(made.finished, made.chips)
        whole += not solution.unexplained
        found += not solution.unexplained and counted(solution.rom) <= counted(made.rom)
    print(f"random recipes: {count}; explained to the last byte {whole}, and with no more steps {found}")


if __name__ == "__main__":
    if len(sys.argv) == 3:
        measured(sys.argv[1], int(sys.argv[2]))
    elif len(sys.argv) == 2:
        recipes(int(sys.argv[1]))
    else:
        for kind in KINDS:
            for kib in SIZES:
                subprocess.run([sys.executable, __file__, kind, str(kib)], check=True)
