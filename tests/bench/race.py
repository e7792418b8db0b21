"""``python tests/bench/race.py [--quick]``: our image writer against mkfs.fat, mcopy and a SHA-256 of the image.

Both make a card from the same files on the same disk, in turn, with warm caches; medians are printed. Theirs:
mkfs.fat, mcopy, then ``sha256sum`` or ``openssl dgst -sha256``, whichever is faster here. Ours: plan and image, the
image hashed, and all of it safe on the disk (fsync), inside a running interpreter as within a build. Theirs is not
synced: what that takes is printed beside it and not counted. Reading back (every file's SHA-256, both FATs, every
entry) is printed apart. Then comes how our cost grows from 1,000 to 60,000 files.

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
from io import FileIO
from pathlib import Path
from tempfile import TemporaryDirectory

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


SHORT, ALIKE, UNLIKE = "F{number}.BIN", "{hundred:03}abc with number {number}.bin", "{number:05} is its number.bin"
"""Names: upper-case 8.3; long ones of which a hundred begin with the same six letters, as in collections; long ones
that differ from the first letters on. mcopy tries one short name after the other, so it minds the difference."""


@dataclass(frozen=True)
class Case:
    """A race: so many files of a size in so many folders (0: in the root), on a FAT16 card; ``aim``: a wall ratio."""

    name: str
    files: int
    size: int
    folders: int
    card: int
    names: str
    runs: int
    aim: float = 0.0


CASES = (
    Case("1 GB in 135 files", 135, 7_407_407, 0, 2_000_000_000, SHORT, 5, 0.7),
    Case("4,000 files of 4 KiB in 20 folders", 4_000, 4096, 20, 256_000_000, SHORT, 9, 0.7),
    Case("20,000 long-named files in 10 folders", 20_000, 100, 10, 512_000_000, ALIKE, 1, 0.05),
    Case("20,000 long-named files, none alike", 20_000, 100, 10, 512_000_000, UNLIKE, 3),
)
QUICK = (
    Case("100 MB in 14 files", 14, 7_407_407, 0, 256_000_000, SHORT, 3, 0.7),
    Case("1,000 files of 4 KiB in 5 folders", 1_000, 4096, 5, 64_000_000, SHORT, 5, 0.7),
    Case("1,000 long-named files in 1 folder", 1_000, 100, 1, 64_000_000, ALIKE, 1, 0.05),
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
    with TemporaryDirectory(prefix="cardkiln-race-") as folder:
        hasher = fastest_hash(Path(folder) / "hashed")
        for case in QUICK if quick else CASES:
            race(case, hasher, Path(folder))
        growth(GROWTH[:3] if quick else GROWTH, Path(folder))


def find(tool: str) -> str | None:
    return shutil.which(tool) or shutil.which(tool, path=os.pathsep.join(("/usr/sbin", "/sbin")))


def fastest_hash(path: Path) -> list[str]:
    """Return the command that hashes a file of 256 MB fastest, and print what each takes.

    Only that one takes part: whoever reads an image first also pays for its holes, which then lie in the cache.
    """
    commands = [["sha256sum"]] + ([["openssl", "dgst", "-sha256"]] if find("openssl") else [])
    path.write_bytes(bytes(256_000_000))
    clock = Clock()
    for command in commands * 2:
        with clock.timing(command[0]):
            subprocess.run([*command, str(path)], check=True, stdout=subprocess.DEVNULL)
    path.unlink()
    for command in commands:
        print(f"{command[0]} hashes 256 MB in {min(clock.wall[command[0]]):.3f} s")
    return min(commands, key=lambda command: min(clock.wall[command[0]]))


def race(case: Case, hasher: list[str], folder: Path) -> None:
    """Run and print one race."""
    source = folder / "source"
    files = make(case, source)
    volume = fit_volume(case.card, 16, partitioned=True)
    clock = Clock()
    for _ in range(case.runs):
        theirs(clock, hasher, source, volume, folder / "theirs.img")
        plan, written = ours(clock, source, files, volume, folder / "ours.img")
        with clock.timing("read back"):
            read_back(plan, folder / "ours.img", written)
        (folder / "ours.img").unlink()
    other, own = (
        clock.median("mkfs.fat + mcopy") + clock.median(hasher[0]),
        clock.median("plan") + clock.median("write"),
    )
    aim = f", aim {case.aim}" if case.aim else ""
    print(f"\n{case.name}, card of {case.card:,} bytes, median of {case.runs}:")
    print(f"  theirs{other:40.3f} s wall")
    for what in ("mkfs.fat + mcopy", hasher[0], "sync, not counted"):
        clock.show(what)
    print(f"  ours{own:42.3f} s wall, ratio {own / other:.3f}{aim}")
    for what in ("plan", "write", "read back"):
        clock.show(what)
    shutil.rmtree(source)


def theirs(clock: Clock, hasher: list[str], source: Path, volume: Volume, image: Path) -> None:
    """Make and hash the volume with public tools, as their users do: mcopy gets everything at once."""
    with clock.timing("mkfs.fat + mcopy"):
        with image.open("wb") as file:
            file.truncate(volume.sectors * SECTOR)
        make_volume = [find("mkfs.fat") or "", "-F16", f"-s{volume.sectors_per_cluster}", str(image)]
        subprocess.run(make_volume, check=True, stdout=subprocess.DEVNULL)
        subprocess.run(["mcopy", "-s", "-i", str(image), *sorted(map(str, source.iterdir())), "::/"], check=True)
    with clock.timing(hasher[0]):
        subprocess.run([*hasher, str(image)], check=True, stdout=subprocess.DEVNULL)
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


def from_folder(source: Path) -> Callable[[Entry], FileIO]:
    root = f"{source}/"
    return lambda entry: FileIO(root + entry.path)


def make(case: Case, target: Path) -> list[CardFile]:
    """Write the source files and return them as the card asks for them."""
    chance = random.Random(1)
    made = []
    for number in range(case.files):
        name = case.names.format(number=number, hundred=number // 100)
        path = f"DIR{number * case.folders // case.files}/{name}" if case.folders else name
        data = chance.randbytes(case.size)
        (target / path).parent.mkdir(parents=True, exist_ok=True)
        (target / path).write_bytes(data)
        content = Content(sha256=hashlib.sha256(data).hexdigest(), size=case.size)
        made.append(CardFile(path=path, content=content, placement="anywhere", origin=ORIGIN, place=Place()))
    return made


def growth(counts: tuple[int, ...], folder: Path) -> None:
    """Print what a card costs us by the number of its files, beyond what it costs without any."""
    volume = fit_volume(300_000_000, 32, partitioned=True)
    print("\nlong-named files of 100 bytes, 1,000 a folder, FAT32 card of 300,000,000 bytes; seconds of wall:")
    print("    files     plan    write  read back   microseconds a file beyond the first line")
    empty = 0.0
    for count in (0, *counts):
        source = folder / "source"
        files = make(Case("growth", count, 100, count // 1000, 0, ALIKE, 1), source)
        clock = Clock()
        plan, written = ours(clock, source, files, volume, folder / "ours.img")
        with clock.timing("read back"):
            read_back(plan, folder / "ours.img", written)
        total = sum(map(clock.median, clock.wall))
        empty = empty or total
        each = f"{(total - empty) / count * 1e6:12.0f}" if count else ""
        print(f"{count:9,}", *(f"{clock.median(what):8.3f}" for what in clock.wall), each)
        shutil.rmtree(source, ignore_errors=True)
        (folder / "ours.img").unlink()


if __name__ == "__main__":
    main()
