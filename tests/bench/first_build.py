"""A first build against what people write with public tools, on the same inputs, in turn, with warm caches.

    python tests/bench/first_build.py [--rounds 3] [CASE ...]

Theirs, as one shell script: ``unzip`` of every archive, ``sha256sum -c`` of every chip, ``cat`` into each ROM file
(``srec_cat`` where bytes interleave), ``mkfs.fat``, ``mcopy -s``, ``sha256sum`` of every file on the card and of the
image. Once "title by title", each checked, made and hashed by itself, as a script that has to name what is wrong does
it; once "at once", with a process for all that one can take. Ours: ``doit -n 1``, which reads back, records and syncs
as well, with nothing built before. Printed are medians of processor time (user and system, of all processes) and of
wall time, and ratios; on a machine that others use, processor time is the figure that counts.

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
from tests.support.cli import BYTECODE

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
    """Seconds of processor and of wall."""

    processor: float
    wall: float


def measured(words: list[str], folder: Path) -> Cost:
    """Return what a command line costs, all that it starts included."""
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    environment = {**os.environ, **BYTECODE}
    done = subprocess.run(words, cwd=folder, env=environment, capture_output=True, text=True, check=False)
    wall, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    assert done.returncode == 0, done.stdout + done.stderr
    return Cost(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, wall)


def script(case: Case, folder: Path, *, at_once: bool) -> str:
    """Return the shell script that builds the cards of a built project with public tools, in the folder it runs in."""
    inputs = folder / "inputs"
    lines = ["set -e", "mkdir chips cards", f"for zip in {inputs}/zips/*.zip; do unzip -q $zip -d chips; done"]
    if at_once:
        lines.append(f"cat {folder}/sums/* | sha256sum --quiet -c")
    for card in range(case.cards):
        tree = f"cards/c-{card}"
        lines += [f"mkdir -p {tree}/GOODS/fern {tree}/FABRICS/fern", f"cp {inputs}/files/system/* {tree}/"]
        lines += [f"cp {inputs}/files/attic/core.bin {tree}/FABRICS/fern/fern.FAB"]
        for number in range(card, case.titles, case.cards):
            chips = [f"chips/{number}/{chip}.bin" for chip in range(CHIPS)]
            rom = f"{tree}/GOODS/fern/T{number}.ROM"
            made = interleave(chips, case.chip, rom) if case.interleaved else f"cat {' '.join(chips)} > {rom}"
            check, note = f"sha256sum --quiet -c {folder}/sums/{number}", f"sha256sum {rom} >> {tree}.sha256"
            lines += [made] if at_once else [check, made, note]
        sectors = (folder / f"build/cards/c-{card}/card.img").stat().st_size // 1024
        lines += [f"mkfs.fat -C {tree}.img {sectors} > /dev/null", f"mcopy -s -i {tree}.img {tree}/* ::/"]
        lines += [f"find {tree} -type f -print0 | xargs -0 sha256sum > {tree}.sha256"] if at_once else []
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
    """Write the list of each title's chips with their SHA-256, as its manifest has them."""
    (folder / "sums").mkdir()
    for number in range(case.titles):
        manifest = (folder / f"inputs/titles/t-{number}.toml").read_text()
        found = [line.partition('"')[2].rstrip('"') for line in manifest.splitlines() if line.startswith("sha256")]
        lines = [f"{sha256}  chips/{number}/{chip}.bin\n" for chip, sha256 in enumerate(found)]
        (folder / "sums" / str(number)).write_text("".join(lines))


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
        words = [*DOIT, str(folder), "-n", "1"]
        measured(words, folder)
        costs: dict[str, list[Cost]] = {"ours": [], "title by title": [], "at once": []}
        for number in range(rounds):
            for way in ("title by title", "at once"):
                (folder / "make.sh").write_text(script(case, folder, at_once=way == "at once"))
                theirs.mkdir()
                costs[way].append(measured(["bash", str(folder / "make.sh")], theirs))
                if number == 0:
                    same_files(case, folder, theirs)
                shutil.rmtree(theirs)
            shutil.rmtree(folder / "build")
            costs["ours"].append(measured(words, folder))
    print(
        f"{name}: {case.titles:,} titles of {CHIPS} chips of {case.chip >> 10} KiB, {case.cards} cards; aim {case.aim}"
    )
    for kind in ("processor", "wall"):
        own, *others = (statistics.median(getattr(cost, kind) for cost in costs[way]) for way in costs)
        told = [
            f"{way} {other:6.2f} s, ratio {own / other:5.2f}" for way, other in zip([*costs][1:], others, strict=True)
        ]
        print(f"  {kind:<10} ours {own:6.2f} s; {'; '.join(told)}", flush=True)


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
