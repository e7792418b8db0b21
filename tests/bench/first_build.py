"""A first build against what people write with public tools, on the same inputs, in turn, with warm caches.

    python tests/bench/first_build.py [--rounds 3] [CASE ...]

Theirs, as one shell script: ``unzip`` of every archive, ``sha256sum -c`` of every chip, ``cat`` into each ROM file
(``srec_cat`` where bytes interleave), ``mkfs.fat``, ``mcopy -s``, ``sha256sum`` of every file on the card and of the
image. Ours: ``doit``, which reads back, records and syncs as well, with nothing built before.
Printed are medians of processor time (user and system, of all processes) and of wall time, and their ratios. Peak
memory is the largest process's.

Everything is made in a temporary folder (TMPDIR) and removed again.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.bench.noop import CHIPS, DOIT, project

TOOLS = ("unzip", "sha256sum", "cat", "srec_cat", "mkfs.fat", "mcopy")


@dataclass(frozen=True, kw_only=True)
class Case:
    """So many titles of ten chips of so many bytes on so many cards; ``aim``: the ratio that is wanted."""

    titles: int
    chip: int
    cards: int = 1
    interleaved: bool = False
    aim: float


CASES = {
    "many": Case(titles=2000, chip=4 << 10, cards=10, aim=0.5),
    "large": Case(titles=200, chip=256 << 10, aim=0.5),
    "few": Case(titles=300, chip=4 << 10, aim=0.7),
    "interleaved": Case(titles=300, chip=4 << 10, interleaved=True, aim=0.5),
}


@dataclass(frozen=True)
class Cost:
    """Seconds of processor and wall, and the KiB of the largest process."""

    processor: float
    wall: float


def measured(words: list[str], folder: Path) -> Cost:
    """Return what a command line costs, all that it starts included."""
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    done = subprocess.run(words, cwd=folder, capture_output=True, text=True, check=False)
    wall, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    assert done.returncode == 0, done.stdout + done.stderr
    return Cost(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, wall)


def script(case: Case, folder: Path) -> str:
    """Return the shell script that builds the cards of a built project with public tools, in the folder it runs in."""
    inputs = folder / "inputs"
    lines = ["set -e", "mkdir chips cards", f"for zip in {inputs}/zips/*.zip; do unzip -q $zip -d chips; done"]
    lines += [f"sha256sum --quiet -c {folder}/chips.sha256"]
    for card in range(case.cards):
        tree = f"cards/c-{card}"
        lines += [f"mkdir -p {tree}/GOODS/fern {tree}/FABRICS/fern", f"cp {inputs}/files/system/* {tree}/"]
        lines += [f"cp {inputs}/files/attic/core.bin {tree}/FABRICS/fern/fern.FAB"]
        for number in range(card, case.titles, case.cards):
            chips = [f"chips/{number}/{chip}.bin" for chip in range(CHIPS)]
            rom = f"{tree}/GOODS/fern/T{number}.ROM"
            lines.append(interleave(chips, case.chip, rom) if case.interleaved else f"cat {' '.join(chips)} > {rom}")
        sectors = (folder / f"build/cards/c-{card}/card.img").stat().st_size // 1024
        lines += [f"mkfs.fat -C {tree}.img {sectors} > /dev/null", f"mcopy -s -i {tree}.img {tree}/* ::/"]
        lines += [f"find {tree} -type f -print0 | xargs -0 sha256sum > {tree}.sha256"]
        lines += [f"sha256sum {tree}.img >> {tree}.sha256"]
    return "\n".join(lines) + "\n"


def interleave(chips: list[str], size: int, rom: str) -> str:
    """Return the command that puts each two chips side by side, byte by byte, and the pairs one after the other."""
    words = ["srec_cat"]
    for pair in range(0, len(chips), 2):
        for lane in (0, 1):
            words += [chips[pair + lane], "-binary", "-unsplit", "2", str(lane), "-offset", str(pair * size)]
    return " ".join([*words, "-o", rom, "-binary"])


def interleaved(folder: Path) -> None:
    """Have every title of a project interleave its chips in pairs."""
    for path in (folder / "inputs/titles").glob("t-*.toml"):
        text, _, steps = path.read_text().partition("[[rom.steps]]")
        names = steps.partition("[")[2].partition("]")[0].split(", ")
        pairs = [", ".join(names[at : at + 2]) for at in range(0, len(names), 2)]
        size = int(text.partition("size = ")[2].partition("\n")[0]) * 2
        steps = "".join(
            f"[[rom.steps]]\nat = {number * size}\ninterleave = [{pair}]\n" for number, pair in enumerate(pairs)
        )
        path.write_text(text + steps)


def sums(case: Case, folder: Path) -> None:
    """Write the list of the chips' SHA-256, as their manifests have them."""
    lines = []
    for number in range(case.titles):
        manifest = (folder / f"inputs/titles/t-{number}.toml").read_text()
        found = [line.partition('"')[2].rstrip('"') for line in manifest.splitlines() if line.startswith("sha256")]
        lines += [f"{sha256}  chips/{number}/{chip}.bin" for chip, sha256 in enumerate(found)]
    (folder / "chips.sha256").write_text("\n".join(lines) + "\n")


def same_files(case: Case, folder: Path, theirs: Path) -> None:
    """Hold their ROM files against ours, so that both are known to have done the same work."""
    for number in range(case.titles):
        built = folder / f"build/roms/t-{number}/T{number}.ROM"
        made = theirs / f"cards/c-{number % case.cards}/GOODS/fern/T{number}.ROM"
        assert built.read_bytes() == made.read_bytes(), built


def race(name: str, case: Case, rounds: int) -> None:
    """Run and print one case."""
    with tempfile.TemporaryDirectory(prefix="bench-") as temporary:
        folder, theirs = Path(temporary) / "project", Path(temporary) / "theirs"
        project(folder, case.titles, case.cards, case.chip)
        if case.interleaved:
            interleaved(folder)
        sums(case, folder)
        words = [*DOIT, str(folder)]
        measured(words, folder)
        (folder / "make.sh").write_text(script(case, folder))
        we, they = list[Cost](), list[Cost]()
        for number in range(rounds):
            theirs.mkdir()
            they.append(measured(["bash", str(folder / "make.sh")], theirs))
            if number == 0:
                same_files(case, folder, theirs)
            shutil.rmtree(theirs)
            shutil.rmtree(folder / "build")
            we.append(measured(words, folder))
    print(f"{name}: {case.titles:,} titles of {CHIPS} chips of {case.chip >> 10} KiB, {case.cards} cards")
    for kind in ("processor", "wall"):
        own, other = (statistics.median(getattr(cost, kind) for cost in costs) for costs in (we, they))
        print(f"  {kind:<10} ours {own:7.2f} s  theirs {other:7.2f} s  ratio {own / other:5.2f}  aim {case.aim}")


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("cases", nargs="*", metavar="CASE", help=f"of {', '.join(CASES)}; all when none is named")
    asked = parser.parse_args()
    os.environ["PATH"] += os.pathsep + os.pathsep.join(("/usr/sbin", "/sbin"))
    if missing := [tool for tool in TOOLS if shutil.which(tool) is None]:
        sys.exit(f"not installed: {', '.join(missing)}")
    for name in asked.cases or CASES:
        race(name, CASES[name], asked.rounds)


if __name__ == "__main__":
    main()
