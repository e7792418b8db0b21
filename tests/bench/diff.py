"""``python tests/bench/diff.py``: diff of two images against ``cmp`` of the same two files, in turn, warm caches.

Two 2 GiB images with 1 GB of files, once with holes for free space, as they are built, and once without any. The
last byte of the last file differs, so that ``cmp``, which stops at the first difference, has read nearly all there is;
without holes it is the last byte of the card. Medians of wall and processor time are printed. Everything is made in a
temporary folder (TMPDIR) and removed again; it takes some 7 GB there and a minute.
"""

from __future__ import annotations

import subprocess
from contextlib import ExitStack
from pathlib import Path
from tempfile import TemporaryDirectory

from pipeline.inspect.diff import diff
from pipeline.inspect.open_target import opened_target
from tests.bench.verify import CARD, make, median
from tests.support.building import workspace_in

FILES = 135


def ours(folder: Path, one: Path, other: Path) -> None:
    with ExitStack() as stack:
        project = workspace_in(folder)
        found = diff(*(stack.enter_context(opened_target(project, str(path))) for path in (one, other)))
        assert found.differing


def theirs(one: Path, other: Path) -> None:
    subprocess.run(["cmp", one, other], stdout=subprocess.DEVNULL, check=False)


def race(name: str, folder: Path, one: Path, other: Path) -> None:
    ours(folder, one, other)
    we, they = median(lambda: ours(folder, one, other)), median(lambda: theirs(one, other))
    print(f"{name}: ours {we}, cmp {they}, ratio {we.wall / they.wall:.2f}")


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
        plan, _ = make(one, FILES)
        make(other, FILES)
        last = max(plan.entries, key=lambda entry: entry.cluster)
        change(other, plan.volume.cluster_offset(last.cluster) + last.size - 1)
        race("with holes", folder, one, other)
        full = [without_holes(image) for image in (one, other)]
        change(full[1], plan.volume.cluster_offset(last.cluster) + last.size - 1)
        change(full[1], CARD - 1)
        race("without holes", folder, *full)


if __name__ == "__main__":
    main()
