"""``python tests/bench/verify.py``: verify of a 2 GiB image against its digest by public tools, in turn, warm caches.

The image is as full of files as it can be, so that verify, which reads used ranges only, has as much to hash as
``sha256sum`` and ``openssl dgst -sha256``. Medians of wall and processor time are printed. Everything is made in a
temporary folder (TMPDIR) and removed again; it takes 2 GB there and a minute.
"""

from __future__ import annotations

import hashlib
import os
import statistics
import subprocess
import time
from collections.abc import Callable
from datetime import datetime
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, NamedTuple

from pipeline.card.layout import lay_out
from pipeline.errors import Place
from pipeline.fat.geometry import fit_volume
from pipeline.image.write import write_image
from pipeline.inspect.planned_image import CardImage
from pipeline.inspect.verify import GOOD, verify_image
from pipeline.model.content import CardFile, Content, Origin
from pipeline.model.plan import Plan
from tests.unit.image.big_card import Pattern, opener

FILES, SIZE, CARD = 285, 7_407_407, 2 << 30
RUNS = 5


class Spent(NamedTuple):
    """Seconds: on the clock, and of the processors, in this process and those it started."""

    wall: float
    processor: float

    def __str__(self) -> str:
        return f"{self.wall:.3f} s ({self.processor:.2f} s of processors)"


def make(target: Path, count: int = FILES) -> tuple[Plan, dict[str, Any]]:
    """Write a card with so many files; return its plan, and what verify needs of its record."""
    files = []
    for name in (f"F{number:03}.BIN" for number in range(count)):
        digest, source = hashlib.sha256(), Pattern(name, SIZE)
        while data := source.read(1 << 20):
            digest.update(data)
        content = Content(sha256=digest.hexdigest(), size=SIZE)
        origin = Origin(kind="card-file", owner="bench")
        files.append(CardFile(path=name, content=content, placement="anywhere", origin=origin, place=Place()))
    plan = lay_out(
        "bench", files, fit_volume(CARD, 32, partitioned=True),
        label="BENCH", label_entry="first", serial=1, timestamp=datetime(2026, 1, 1), where=Place(),
    )  # fmt: skip
    write_image(plan, opener, target)
    listed = [
        {"path": file.path, "size": SIZE, "sha256": file.content.sha256, "placement": "anywhere", "made-from": {}}
        for file in files
    ]
    return plan, {"card": {"id": "bench"}, "files": listed}


def median(what: Callable[[], None]) -> Spent:
    """Return the medians of some runs."""
    wall, processor = list[float](), list[float]()
    for _ in range(RUNS):
        before, start = sum(os.times()[:4]), time.perf_counter()
        what()
        wall.append(time.perf_counter() - start)
        processor.append(sum(os.times()[:4]) - before)
    return Spent(statistics.median(wall), statistics.median(processor))


def main() -> None:
    with TemporaryDirectory(prefix="bench-") as temporary:
        image = Path(temporary) / "card.img"
        plan, record = make(image)

        def ours() -> None:
            with image.open("rb", buffering=0) as file:
                assert verify_image(CardImage(file.fileno(), image.stat().st_size), plan, record).verdict == GOOD

        def theirs(*words: str) -> None:
            subprocess.run([*words, image], stdout=subprocess.DEVNULL, check=True)

        ours()
        we = median(ours)
        for words in (("sha256sum",), ("openssl", "dgst", "-sha256")):
            they = median(partial(theirs, *words))
            print(f"ours {we}, {' '.join(words)} {they}, ratio {we.wall / they.wall:.2f}")


if __name__ == "__main__":
    main()
