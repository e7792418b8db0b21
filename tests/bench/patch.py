"""``python tests/bench/patch.py [--quick]``: a card built from nothing against the same card after small changes.

A card of 2 GiB with 1 GB in 135 files (``--quick``: 256 MB with 100 MB). Times are of whole builds inside a running
interpreter: everything that is stale is worked out, searched, written, hashed, read back and synced. "first" is the
first change after the card was written whole: where the file system cannot share blocks, the image is copied then, and
every later change patches the spare. The SHA-256 of a whole image is printed beside, since no build can do without it.

Everything is made in a temporary folder (TMPDIR) and removed again; the full run takes some 4 GB there.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parents[2]))

from pipeline.build.flow import build_card
from pipeline.image.digest import image_digest
from tests.support import small
from tests.support.building import build_in
from tests.support.cli import write_tree

FILE = 7_407_407
"""Bytes of each file that stays as it is."""

TURNS = 3


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--quick", action="store_true", help="a smaller card, a few seconds")
    quick = parser.parse_args().quick
    with TemporaryDirectory(prefix="cardkiln-patch-") as temporary:
        folder = Path(temporary)
        make(folder, 14 if quick else 135, "256 MiB" if quick else "2 GiB")
        cold, _ = timed(folder)
        print(f"from nothing            {cold:8.2f} s")
        start = time.perf_counter()
        image_digest(folder / "build/cards/desk/card.img")
        show("SHA-256 of the image", time.perf_counter() - start, cold)
        for number in range(TURNS + 1):
            write_tree(folder, {"inputs/files/system/BENCH.SET": small.CONFIG + b"; %d\r\n" % number})
            show("one config line" + ("" if number else ", first"), *timed(folder), cold)
        for number in range(TURNS):
            change_rom(folder, number)
            show("one ROM file", *timed(folder), cold)
        for number in range(TURNS):
            write_tree(folder, {f"inputs/files/system/ZADDED{number}.TXT": b"added" * 1000})
            show("one added file", *timed(folder), cold)


def make(folder: Path, files: int, size: str) -> None:
    chance = random.Random(1)
    system: dict[str, str | bytes] = {"inputs/cards/desk.toml": small.CARD.replace("16 MiB", size)}
    small.small_project(folder, system)
    for number in range(files):
        (folder / f"inputs/files/system/F{number:03}.BIN").write_bytes(chance.randbytes(FILE))


def change_rom(folder: Path, number: int) -> None:
    """Give the title another second chip."""
    chip = random.Random(number).randbytes(len(small.CHIP_B))
    title = small.TITLE.replace(small.sha(small.CHIP_B), small.sha(chip))
    title = title.replace(small.sha(small.ROM), small.sha(small.CHIP_A + chip))
    write_tree(folder, {"inputs/files/attic/dump(2).bin": chip, "inputs/titles/snail-race.toml": title})


def timed(folder: Path) -> tuple[float, str]:
    """Build the card; return the seconds it took and what was said of the image."""
    lines: list[str] = []
    start = time.perf_counter()
    build_card(build_in(folder), "desk", lines.append)
    took = time.perf_counter() - start
    return took, next((line for line in lines if line.startswith("image")), "").partition(": ")[2].partition(";")[0]


def show(what: str, took: float, *rest: str | float) -> None:
    *said, cold = rest
    print(f"{what:24}{took:8.2f} s, ratio {took / float(cold):.3f}", *said)


if __name__ == "__main__":
    main()
