"""Plans, writes or reads back a card of many files in a process of its own, and prints the most memory it held.

Run as ``python -m tests.image.big_card write|read PLAN IMAGE FILES SIZE CLUSTERS SECTORS``: so many files of a size in
bytes each, on a FAT32 volume of so many clusters of so many sectors. ``write`` leaves plan and image to ``read``.
"""

from __future__ import annotations

import hashlib
import io
import pickle
import sys
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import BinaryIO, cast

from pipeline.card.layout import lay_out
from pipeline.errors import Place
from pipeline.fat.geometry import fit_volume
from pipeline.image.read_back import read_back
from pipeline.image.write import write_image
from pipeline.model.content import CardFile, Content, Origin
from pipeline.model.plan import Entry, Volume

ORIGIN = Origin(kind="card-file", owner="desk")


def peak() -> int:
    """Return the most bytes of memory this process held at once."""
    try:
        status = Path("/proc/self/status").read_text()
    except OSError:
        import resource

        most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        return most if sys.platform == "darwin" else most * 1024
    # getrusage would count the memory of the process that started this one
    return int(next(line for line in status.splitlines() if line.startswith("VmHWM")).split()[1]) * 1024


def volume_with(clusters: int, cluster_sectors: int) -> Volume:
    """Return the volume of a 32 GB card with another number of clusters of another size, and so of another card."""
    volume = fit_volume(32 * 10**9, 32, partitioned=True)
    sectors = volume.data_start - volume.start + clusters * cluster_sectors
    return replace(
        volume,
        clusters=clusters,
        sectors_per_cluster=cluster_sectors,
        sectors=sectors,
        card_sectors=volume.start + sectors,
    )


class Pattern(io.BufferedIOBase):
    """A source of a size whose bytes depend on the name, and take no memory."""

    def __init__(self, name: str, size: int) -> None:
        self._block = (name.encode() * 1024)[: min(size, 1 << 15)]
        self._size, self._at = size, 0

    def read(self, size: int | None = -1, /) -> bytes:
        start = self._at % len(self._block)
        data = self._block[start : start + min(size or 0, self._size - self._at)]
        self._at += len(data)
        return data


def files(count: int, size: int) -> list[CardFile]:
    made = []
    for number in range(count):
        path = f"Folder number {number % 60}/A file with a long name {number}.bin"
        digest = hashlib.sha256()
        source = Pattern(path, size)
        while data := source.read(1 << 20):
            digest.update(data)
        known = Content(sha256=digest.hexdigest(), size=size)
        made.append(CardFile(path=path, content=known, placement="anywhere", origin=ORIGIN, place=Place(file="big")))
    return made


def opener(entry: Entry) -> BinaryIO:
    return cast("BinaryIO", Pattern(entry.path, entry.size))


def main(what: str, plan_path: str, image: str, *numbers: str) -> None:
    count, size, clusters, cluster_sectors = map(int, numbers)
    if what == "write":
        plan = lay_out(
            "big", files(count, size), volume_with(clusters, cluster_sectors),
            label="BIG", label_entry="first", serial=1, timestamp=datetime(2026, 1, 1), where=Place(file="big"),
        )  # fmt: skip
        written = write_image(plan, opener, Path(image))
        most = peak()
        Path(plan_path).write_bytes(pickle.dumps((plan, written)))
    else:
        plan, written = pickle.loads(Path(plan_path).read_bytes())  # noqa: S301  # our own, from a moment ago
        read_back(plan, Path(image), written)
        most = peak()
    print(most)


if __name__ == "__main__":
    main(*sys.argv[1:])
