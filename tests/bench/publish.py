"""``python tests/bench/publish.py [MB]``: publishing a card against packing and hashing its image with public tools.

Theirs: ``zstd -3`` and ``openssl dgst -sha256`` (or sha256sum, if faster here) of the same image. Ours: the whole gate,
reading back included, the image packed and hashed, every file of the folder synced. The aim: at most 1.5 times.
Everything is made in a temporary folder (TMPDIR) and removed again.
"""

from __future__ import annotations

import hashlib
import random
import shutil
import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

from pipeline.build.build import Build
from pipeline.build.flow import build_card
from pipeline.distribute.publish import publish
from tests.support.building import build_in

FILES, RUNS = 135, 3
RIGHTS = '[rights]\nlicence = "CC0-1.0"\nholder = "bench"\nsource = "bench"\n'
BOARD = 'name = "Bench"\nvolumes = ["fat16", "fat32"]\n[cores]\nfolder = "E/{core}"\nbitstream = "E.BIT"\n'
CARD = 'name = "Bench"\nversion = "1"\nboard = "bench"\n[volume]\nsize = "2 GiB"\n'
LIST = '[[sums]]\nlist = "all.sha256"\ninto = ""\n'


def main(megabytes: int = 1000) -> None:
    with TemporaryDirectory(prefix="cardkiln-bench-") as folder:
        project = made(Path(folder), megabytes * 1_000_000 // FILES)
        build_card(project, "bench", print)
        image = project.workspace.card_folder("bench") / "card.img"
        theirs, ours = list[float](), list[float]()
        for _ in range(RUNS):
            packed = Path(folder, "theirs.zst")
            pack = timed("zstd", "-q", "-f", "-3", str(image), "-o", str(packed))
            hashes = [timed("openssl", "dgst", "-sha256", str(image)), timed("sha256sum", str(image))]
            theirs.append(pack + min(hashes))
            start = time.perf_counter()
            publish(project, "bench", "zstd", None)
            ours.append(time.perf_counter() - start)
            size = (project.workspace.base / "dist/bench-1/card.img.zst").stat().st_size
            print(f"zstd -3 {pack:.2f} s, hash {min(hashes):.2f} s; publish {ours[-1]:.2f} s")
            print(f"packed: theirs {packed.stat().st_size:,}, ours {size:,} bytes")
            shutil.rmtree(project.workspace.base / "dist")
        print(f"ratio of the fastest: {min(ours) / min(theirs):.2f} (aim 1.5)")


def made(folder: Path, size: int) -> Build:
    """Return a project with one card of FILES files, half of each incompressible."""
    inputs, rng = folder / "inputs", random.Random(1)
    for kind in ("boards", "cards", "cores", "titles", "attic"):
        (inputs / kind).mkdir(parents=True)
    lines = []
    for number in range(FILES):
        data = rng.randbytes(size // 2) + bytes(size - size // 2)
        (inputs / f"attic/{number:03}.bin").write_bytes(data)
        lines.append(f"{hashlib.sha256(data).hexdigest()}  F{number:03}.BIN\n")
    (inputs / "all.sha256").write_text("".join(lines))
    (inputs / "boards/bench.toml").write_text(BOARD + RIGHTS)
    (inputs / "cards/bench.toml").write_text(CARD + LIST + RIGHTS)
    (inputs / "sources.toml").write_text('places = ["attic"]\n')
    return build_in(folder)


def timed(*words: str) -> float:
    start = time.perf_counter()
    subprocess.run(words, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:2]))
