"""What a run with nothing to do takes, beside doit's own run of one task, make and ninja; and a first build.

    python tests/bench/noop.py [--titles 2000] [--cards 10] [--chip 4096]
    python tests/bench/noop.py --own 60000

A run after a comment was written into a manifest is measured too. Each title has ten chips of so many bytes, in
archives of 1,000 members, and one ROM file of them all. The cards are just as large as their titles need: the zeros of
an empty card have to be hashed too, and say nothing about titles. With ``--own`` there is one card with so many own
files of 100 bytes to 4 KiB, in six folders. Everything is made in a temporary folder and measured in the same run:
medians, and ratios to doit's own.
"""

from __future__ import annotations

import argparse
import hashlib
import random
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
import zipfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.support import small
from tests.support.cli import ROOT, write_tree

CHIPS = 10
SOCKETS = [f"{column}{row}" for column in range(1, 13) for row in "abcdefgh"]
ROUNDS = 9
ONE_TASK = 'def task_one():\n    return {"actions": ["cp a b"], "file_dep": ["a"], "targets": ["b"]}\n'
DOIT = [sys.executable, "-m", "pipeline.engine.main", "run", "-f", str(ROOT / "dodo.py"), "-d"]


def project(folder: Path, titles: int, cards: int, chip_size: int = 4096) -> None:
    """Make a project whose chips lie in ZIP archives of 1,000 members each."""
    mebibytes = 16
    while mebibytes << 20 < titles / cards * (CHIPS * chip_size + 32_768) + (4 << 20):
        mebibytes *= 2
    numbers = random.Random(1)
    files: dict[str, str | bytes] = {**small.FILES, "inputs/sources.toml": 'places = ["zips", "files/attic"]\n'}
    (folder / "inputs/zips").mkdir(parents=True)
    for start in range(0, titles, 100):
        with zipfile.ZipFile(folder / f"inputs/zips/{start}.zip", "w", zipfile.ZIP_DEFLATED) as archive:
            for number in range(start, min(start + 100, titles)):
                chips = [numbers.randbytes(chip_size // 2) * 2 for _ in range(CHIPS)]
                files[f"inputs/titles/t-{number}.toml"] = title(number, chips, number % cards)
                for chip, data in enumerate(chips):
                    archive.writestr(f"{number}/{chip}.bin", data)
    for card in range(cards):
        text = small.CARD.replace('"snail-race"', "").replace("16 MiB", f"{mebibytes} MiB")
        files[f"inputs/cards/c-{card}.toml"] = text.replace("titles = []", f'titles = []\ntags = ["c{card}"]')
    write_tree(folder, files)


def own_files(folder: Path, count: int) -> None:
    """Make a project of one FAT32 card with so many own files."""
    card = small.CARD.replace("16 MiB", "512 MiB").replace("[volume]", '[volume]\ntype = "fat32"')
    card += '[[files]]\npath = "OWN"\nfrom = "files/own"\n'
    core = small.CORE.replace('volumes = ["fat16"]', 'volumes = ["fat16", "fat32"]')
    small.small_project(folder, {"inputs/cards/desk.toml": card, "inputs/cores/fern.toml": core})
    numbers = random.Random(1)
    for number in range(count):
        path = folder / f"inputs/files/own/part {number * 6 // count}/{number:05} of the collection.txt"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(numbers.randbytes(numbers.randrange(100, 4096)))


def title(number: int, chips: list[bytes], card: int) -> str:
    """Return the manifest of a title with one ROM file of all its chips, which lie in sockets of its own."""
    lines = [f'name = "Title {number}"', 'core = "fern"', f'tags = ["c{card}"]']
    sockets = random.Random(number).sample(SOCKETS, len(chips))
    for name, data in zip(sockets, chips, strict=True):
        lines += [f"[chips.{name}]", f"size = {len(data)}", f'sha256 = "{hashlib.sha256(data).hexdigest()}"']
    names = ", ".join(f'"{name}"' for name in sockets)
    rom = [f'path = "T{number}.ROM"', f"size = {sum(map(len, chips))}", "[[rom.steps]]", "at = 0", f"join = [{names}]"]
    return "\n".join([*lines, "[[rom]]", *rom]) + "\n"


def timed(words: list[str], folder: Path) -> float:
    """Return the seconds that a command line takes."""
    start = time.perf_counter()
    done = subprocess.run(words, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return time.perf_counter() - start


def cost(words: list[str], folder: Path) -> tuple[float, float]:
    """Return the seconds of wall and of CPU that a command line takes."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    wall = timed(words, folder)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def anchors(folder: Path) -> dict[str, list[str]]:
    """Make one task for each tool that is there, and return the command lines that find nothing to do."""
    made = {"doit": [sys.executable, "-m", "doit"], "make": ["make"], "ninja": ["ninja"]}
    write_tree(folder, {"a": "a", "b": "a", "dodo.py": ONE_TASK, "Makefile": "b: a\n\tcp a b\n"})
    write_tree(folder, {"build.ninja": "rule cp\n command = cp $in $out\nbuild b: cp a\n"})
    there = {name: words for name, words in made.items() if name == "doit" or shutil.which(name)}
    for words in there.values():
        timed(words, folder)
    return there


def read_and_hash(folder: Path) -> float:
    """Return the seconds to inflate and hash every member of every archive."""
    start = time.perf_counter()
    for path in sorted((folder / "inputs/zips").glob("*.zip")):
        with zipfile.ZipFile(path) as archive:
            for name in archive.namelist():
                hashlib.sha256(archive.read(name)).hexdigest()
    return time.perf_counter() - start


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    for name, value in (("titles", 2000), ("cards", 10), ("chip", 4096), ("own", 0)):
        parser.add_argument(f"--{name}", type=int, default=value)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder, one = Path(name) / "project", Path(name) / "one"
        if asked.own:
            own_files(folder, asked.own)
            print(f"a card with {asked.own:,} own files")
        else:
            project(folder, asked.titles, asked.cards, asked.chip)
            print(f"{asked.titles:,} titles of {CHIPS} chips of {asked.chip:,} bytes, {asked.cards} cards")
            read_and_hash(folder)
            print(f"reading and hashing the chips, once and by one thread: {read_and_hash(folder):.2f} s")
        words = anchors(one)
        first, cpu = cost([*DOIT, str(folder)], folder)
        memory = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
        print(f"first build {first:.1f} s, {cpu:.1f} s of CPU, peak memory {memory:.0f} MiB")
        second = timed([*DOIT, str(folder)], folder)
        took: dict[str, list[float]] = {"cardkiln": [], **{tool: [] for tool in words}}
        for _ in range(ROUNDS):
            took["cardkiln"].append(timed([*DOIT, str(folder)], folder))
            for tool, line in words.items():
                took[tool].append(timed(line, one))
        anchor = statistics.median(took["doit"])
        print(f"nothing to do, right after it: {second:.2f} s")
        with next((folder / "inputs/cards").iterdir()).open("a") as manifest:
            manifest.write("# a comment\n")
        time.sleep(0.2)  # so that a later edit is sure to show
        print("after a comment: {:.2f} s, {:.2f} s of CPU".format(*cost([*DOIT, str(folder)], folder)))
        for tool, seconds in took.items():
            middle = statistics.median(seconds)
            print(f"nothing to do, {tool:<9} {middle * 1000:7.0f} ms  {middle / anchor:6.2f} times doit's one task")


if __name__ == "__main__":
    main()
