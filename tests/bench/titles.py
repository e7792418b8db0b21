"""How long titles by the dozen take: `python tests/bench/titles.py [SETS] [CHIPS] [KIB]`.

Drafts SETS titles of CHIPS chips of KIB KiB each by `doit new titles`, from folders and from archives, and prints the
ratio to the time in which the same files are hashed, in turn in one run: by `sha256sum`, and by Python's hashlib, which
reads archives through zipfile. CPU and wall seconds, the least of some rounds, the start of each process included. The
aim: at most twice the time.
"""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
import time
import zipfile
from pathlib import Path
from tempfile import TemporaryDirectory

ROUNDS = 5
FOLDERS = """
import hashlib, os
for folder, _, names in os.walk("sets"):
    for name in names:
        with open(os.path.join(folder, name), "rb") as file:
            hashlib.file_digest(file, "sha256")
"""
ARCHIVES = """
import hashlib, os, zipfile
for name in os.listdir("sets"):
    with zipfile.ZipFile(os.path.join("sets", name)) as archive:
        for member in archive.namelist():
            with archive.open(member) as file:
                hashlib.file_digest(file, "sha256")
"""


def main(sets: int = 200, chips: int = 10, kib: int = 128) -> None:
    doit = [str(Path(sys.executable).with_name("doit"))]
    for is_packed in (False, True):
        with TemporaryDirectory(prefix="cardkiln-bench-") as name:
            folder = Path(name)
            project(folder, sets, chips, kib, is_packed=is_packed)
            contestants = {
                "doit new titles": [*doit, "new", "titles", "sets", "--json"],
                "hashlib": [sys.executable, "-c", ARCHIVES if is_packed else FOLDERS],
            }
            if not is_packed:
                contestants["sha256sum"] = ["sh", "-c", "find sets -type f -print0 | xargs -0 sha256sum > /dev/null"]
            best = race(folder, contestants)
            print(f"{sets} {'archives' if is_packed else 'folders'} of {chips} chips of {kib} KiB")
            wall, cpu = best["doit new titles"]
            for what, (own_wall, own_cpu) in best.items():
                ratio = (
                    "" if what == "doit new titles" else f"  ratio {wall / own_wall:.2f} wall, {cpu / own_cpu:.2f} CPU"
                )
                print(f"  {what:<16} {own_wall:6.2f} s wall {own_cpu:6.2f} s CPU{ratio}")


def project(folder: Path, sets: int, chips: int, kib: int, *, is_packed: bool) -> None:
    """Make a core with a layout, and the sets: half of each chip is noise, half repeats, as dumps do."""
    from tests.support import small

    sockets = "".join(f'u{number} = {{ size = "{kib} KiB" }}\n' for number in range(chips))
    names = ", ".join(f'"u{number}"' for number in range(chips))
    layout = (
        f"[layouts.row.sockets]\n{sockets}"
        f'[[layouts.row.rom]]\npath = "{{title}}.ROM"\nsize = "{kib * chips} KiB"\n'
        f"[[layouts.row.rom.steps]]\nat = 0\njoin = [{names}]\n"
    )
    small.small_project(folder, {"inputs/cores/fern.toml": small.CORE + layout})
    chance = random.Random(1)
    for number in range(sets):
        files = {f"g{number}.u{one}": chance.randbytes(kib * 512) + bytes(kib * 512) for one in range(chips)}
        if is_packed:
            (folder / "sets").mkdir(exist_ok=True)
            with zipfile.ZipFile(
                folder / f"sets/game-{number}.zip", "w", zipfile.ZIP_DEFLATED, compresslevel=1
            ) as made:
                for path, data in files.items():
                    made.writestr(path, data)
        else:
            (folder / f"sets/game-{number}").mkdir(parents=True)
            for path, data in files.items():
                (folder / f"sets/game-{number}/{path}").write_bytes(data)


def race(folder: Path, contestants: dict[str, list[str]]) -> dict[str, tuple[float, float]]:
    """Return the least wall and CPU seconds of each, in turn; drafts and index are removed before each round."""
    found: dict[str, list[tuple[float, float]]] = {what: [] for what in contestants}
    for _ in range(ROUNDS):
        for what, words in contestants.items():
            shutil.rmtree(folder / "inputs/titles", ignore_errors=True)
            shutil.rmtree(folder / "build", ignore_errors=True)
            before, start = os.times(), time.perf_counter()
            subprocess.run(words, cwd=folder, stdout=subprocess.DEVNULL, check=True)
            after, end = os.times(), time.perf_counter()
            cpu = after.children_user + after.children_system - before.children_user - before.children_system
            found[what].append((end - start, cpu))
    return {what: (min(wall for wall, _ in runs), min(cpu for _, cpu in runs)) for what, runs in found.items()}


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[2]))
    main(*map(int, sys.argv[1:4]))
