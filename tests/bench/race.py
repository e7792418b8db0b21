"""``python tests/bench/race.py [--quick]``: our image writer against mkfs.fat, mcopy and a SHA-256 of the image.

Both make a card from the same files on the same disk, in turn, with warm caches; medians are printed. Theirs:
mkfs.fat, mcopy, then the faster of ``sha256sum`` and ``openssl dgst -sha256``. Ours: plan and image, every source
checked against its SHA-256 on the way, the image hashed, and all of it safe on the disk (fsync), inside a running
interpreter as within a build. Theirs is not synced: what that takes is printed beside it and not counted. Reading back
(every file's SHA-256 again, both FATs, every entry) is printed apart. Then comes how our cost grows from 1,000 to
60,000 files.

Everything is made in a temporary folder (TMPDIR) and removed again; the full run takes some 6 GB there and ten minutes.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import random
import resource
import shutil
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import BinaryIO

from pipeline.card.layout import lay_out
from pipeline.errors import Place
from pipeline.fat.geometry import fit_volume
from pipeline.image.read_back import read_back
from pipeline.image.write import write_image
from pipeline.image.written import Written
from pipeline.model.content import CardFile, Content, Origin
from pipeline.model.plan import SECTOR, Entry, Plan, Volume

ORIGIN = Origin(kind="card-file", owner="bench")
TOOLS = ("mkfs.fat", "mcopy", "sha256sum")


@dataclass(frozen=True)
class Case:
    """A race: so many files of a size in so many folders (0: in the root), on a FAT16 card; ``aim``: a wall ratio."""

    name: str
    files: int
    size: int
    folders: int
    card: int
    long_names: bool
    runs: int
    aim: float


CASES = (
    Case("1 GB in 135 files", 135, 7_407_407, 0, 2_000_000_000, False, 5, 0.7),
    Case("4,000 files of 4 KiB in 20 folders", 4_000, 4096, 20, 256_000_000, False, 7, 0.7),
    Case("20,000 long-named files in 10 folders", 20_000, 100, 10, 512_000_000, True, 1, 0.05),
)
QUICK = (
    Case("100 MB in 14 files", 14, 7_407_407, 0, 256_000_000, False, 3, 0.7),
    Case("1,000 files of 4 KiB in 5 folders", 1_000, 4096, 5, 64_000_000, False, 3, 0.7),
    Case("2,000 long-named files in 1 folder", 2_000, 100, 1, 64_000_000, True, 1, 0.05),
)
GROWTH = (1_000, 2_000, 5_000, 10_000, 20_000, 40_000, 60_000)


@dataclass
class Clock:
    """Seconds of wall and processor by what was done, one of each a run."""

    wall: dict[str, list[float]] = field(default_factory=dict)
    processor: dict[str, list[float]] = field(default_factory=dict)

    @contextmanager
    def timing(self, what: str) -> Iterator[None]:
        start, spent = time.perf_counter(), processor()
        yield
        self.wall.setdefault(what, []).append(time.perf_counter() - start)
        self.processor.setdefault(what, []).append(processor() - spent)

    def median(self, what: str) -> float:
        return statistics.median(self.wall[what])

    def show(self, what: str) -> None:
        spent = statistics.median(self.processor[what])
        print(f"    {what:34} {self.median(what):8.3f} s wall {spent:8.3f} s processor")


def processor() -> float:
    """Return the processor seconds of this process and of all it started and waited for."""
    both = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(usage.ru_utime + usage.ru_stime for usage in both)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--quick", action="store_true", help="smaller cases, a few seconds")
    quick = parser.parse_args().quick
    missing = [tool for tool in TOOLS if find(tool) is None]
    if missing:
        sys.exit(f"not installed: {', '.join(missing)}")
    print(f"{os.cpu_count()} processors; hashes: {', '.join(hash_tools())}")
    with TemporaryDirectory(prefix="cardkiln-race-") as folder:
        for case in QUICK if quick else CASES:
            race(case, Path(folder))
        growth(GROWTH[:3] if quick else GROWTH, Path(folder))


def find(tool: str) -> str | None:
    return shutil.which(tool) or shutil.which(tool, path=os.pathsep.join(("/usr/sbin", "/sbin")))


def hash_tools() -> dict[str, list[str]]:
    tools = {"sha256sum": ["sha256sum"]}
    return tools | {"openssl": ["openssl", "dgst", "-sha256"]} if find("openssl") else tools


def race(case: Case, folder: Path) -> None:
    """Run and print one race."""
    source = folder / "source"
    files = make(case.files, case.size, case.folders, long_names=case.long_names, target=source)
    volume = fit_volume(case.card, 16, partitioned=True)
    clock = Clock()
    for _ in range(case.runs):
        theirs(clock, source, volume, folder / "theirs.img")
        plan, written = ours(clock, source, files, volume, folder / "ours.img")
        with clock.timing("read back"):
            read_back(plan, folder / "ours.img", written)
        (folder / "ours.img").unlink()
    fastest = min((clock.median(name), name) for name in hash_tools())[1]
    other, own = clock.median("mkfs.fat + mcopy") + clock.median(fastest), clock.median("plan") + clock.median("write")
    print(f"\n{case.name}, card of {case.card:,} bytes, median of {case.runs}:")
    print(f"  theirs{other:40.3f} s wall")
    for what in ("mkfs.fat + mcopy", *hash_tools(), "sync, not counted"):
        clock.show(what)
    print(f"  ours{own:42.3f} s wall, ratio {own / other:.3f}, aim {case.aim}")
    for what in ("plan", "write"):
        clock.show(what)
    clock.show("read back")
    shutil.rmtree(source)


def theirs(clock: Clock, source: Path, volume: Volume, image: Path) -> None:
    """Make and hash the volume with public tools, file by file as their users do: all of a folder at once."""
    with clock.timing("mkfs.fat + mcopy"):
        with image.open("wb") as file:
            file.truncate(volume.sectors * SECTOR)
        make_volume = [find("mkfs.fat") or "", "-F16", f"-s{volume.sectors_per_cluster}", str(image)]
        subprocess.run(make_volume, check=True, stdout=subprocess.DEVNULL)
        subprocess.run(["mcopy", "-s", "-i", str(image), *sorted(map(str, source.iterdir())), "::/"], check=True)
    for name, command in hash_tools().items():
        with clock.timing(name):
            subprocess.run([*command, str(image)], check=True, stdout=subprocess.DEVNULL)
    with clock.timing("sync, not counted"), image.open("rb+") as file:
        os.fsync(file.fileno())
    image.unlink()


def ours(clock: Clock, source: Path, files: list[CardFile], volume: Volume, image: Path) -> tuple[Plan, Written]:
    """Plan and write the card."""
    with clock.timing("plan"):
        plan = lay_out(
            "bench", files, volume,
            label="BENCH", label_entry="first", serial=1, timestamp=datetime(2026, 1, 1), where=Place(),
        )  # fmt: skip
    with clock.timing("write"):
        written = write_image(plan, from_folder(source), image)
    return plan, written


def from_folder(source: Path) -> Callable[[Entry], BinaryIO]:
    root = f"{source}/"
    return lambda entry: open(root + entry.path, "rb")  # noqa: PTH123  (a Path a file would be timed too)


def make(count: int, size: int, folders: int, *, long_names: bool, target: Path) -> list[CardFile]:
    """Write the source files and return them as the card asks for them."""
    chance = random.Random(1)
    made = []
    for number in range(count):
        # mcopy takes minutes over names that begin alike, since it tries one short name after the other: be fair
        name = f"{number:05} is the number of a file.bin" if long_names else f"F{number}.BIN"
        path = f"DIR{number % folders}/{name}" if folders else name
        data = chance.randbytes(size)
        (target / path).parent.mkdir(parents=True, exist_ok=True)
        (target / path).write_bytes(data)
        content = Content(sha256=hashlib.sha256(data).hexdigest(), size=size)
        made.append(CardFile(path=path, content=content, placement="anywhere", origin=ORIGIN, place=Place()))
    return made


def growth(counts: tuple[int, ...], folder: Path) -> None:
    """Print what a card costs us by the number of its files."""
    volume = fit_volume(1_000_000_000, 32, partitioned=True)
    print("\nlong-named files of 100 bytes, 1,000 a folder, card of 1,000,000,000 bytes; seconds of wall:")
    print("    files     plan    write  read back  plan and write a file")
    for count in counts:
        source = folder / "source"
        files = make(count, 100, -(-count // 1000), long_names=True, target=source)
        clock = Clock()
        plan, written = ours(clock, source, files, volume, folder / "ours.img")
        with clock.timing("read back"):
            read_back(plan, folder / "ours.img", written)
        each = (clock.median("plan") + clock.median("write")) / count * 1e6
        times = "".join(f"{clock.median(what):9.3f}" for what in ("plan", "write", "read back"))
        print(f"{count:9,}{times}{each:15.0f} us")
        shutil.rmtree(source)
        (folder / "ours.img").unlink()


if __name__ == "__main__":
    main()
