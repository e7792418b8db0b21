"""``python tests/bench/diff.py``: diff of two images against ``cmp`` of the same two files, in turn, warm caches.

Two 2 GiB images with 1 GB of files, once with holes for free space, as they are built, and once without any. The
last byte of the last file differs, so that ``cmp``, which stops at the first difference, has read nearly all there is;
without holes it is the last byte of the card. Medians are printed. Everything is made in a temporary folder (TMPDIR)
and removed again; it takes some 7 GB there and a minute.
"""

from __future__ import annotations

import hashlib
import statistics
import subprocess
import time
from collections.abc import Callable
from contextlib import ExitStack
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory

from pipeline.card.layout import lay_out
from pipeline.errors import Place
from pipeline.fat.geometry import fit_volume
from pipeline.image.write import write_image
from pipeline.inspect.diff import diff
from pipeline.inspect.open_target import opened_target
from pipeline.model.content import CardFile, Content, Origin
from pipeline.model.plan import Plan
from tests.support.building import workspace_in
from tests.unit.image.big_card import Pattern, opener

FILES, SIZE, CARD = 135, 7_407_407, 2 << 30
RUNS = 5


def make(target: Path) -> Plan:
    files = []
    for name in (f"F{number:03}.BIN" for number in range(FILES)):
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
    return plan


def ours(folder: Path, one: Path, other: Path) -> None:
    with ExitStack() as stack:
        project = workspace_in(folder)
        found = diff(*(stack.enter_context(opened_target(project, str(path))) for path in (one, other)))
        assert found.differing


def theirs(one: Path, other: Path) -> None:
    subprocess.run(["cmp", one, other], stdout=subprocess.DEVNULL, check=False)


def median(what: Callable[[], None]) -> float:
    took = []
    for _ in range(RUNS):
        start = time.perf_counter()
        what()
        took.append(time.perf_counter() - start)
    return statistics.median(took)


def race(name: str, folder: Path, one: Path, other: Path) -> None:
    ours(folder, one, other)
    we, they = median(lambda: ours(folder, one, other)), median(lambda: theirs(one, other))
    print(f"{name}: ours {we:.3f} s, cmp {they:.3f} s, ratio {we / they:.2f}")


def change(image: Path, offset: int) -> None:
    with image.open("r+b") as file:
        file.seek(offset)
        byte = file.read(1)
        file.seek(offset)
        file.write(bytes([byte[0] ^ 1]))


def without_holes(image: Path) -> Path:
    target = image.with_name(f"full-{image.name}")
    with image.open("rb") as holes, target.open("wb") as full:
        while part := holes.read(1 << 20):
            full.write(part)
    return target


def main() -> None:
    with TemporaryDirectory(prefix="bench-") as temporary:
        folder = Path(temporary)
        one, other = folder / "a.img", folder / "b.img"
        plan = make(one)
        make(other)
        last = max(plan.entries, key=lambda entry: entry.cluster)
        change(other, plan.volume.cluster_offset(last.cluster) + last.size - 1)
        race("with holes", folder, one, other)
        full = [without_holes(image) for image in (one, other)]
        change(full[1], plan.volume.cluster_offset(last.cluster) + last.size - 1)
        change(full[1], CARD - 1)
        race("without holes", folder, *full)


if __name__ == "__main__":
    main()
