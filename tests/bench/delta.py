"""``python tests/bench/delta.py [MB]``: a delta between two versions against the general ones of their images.

Theirs: ``xdelta3 -e`` and ``zstd --patch-from`` of the two raw images, with their defaults (zstd with a window that
reaches over the image, as its manual asks). Ours: ``doit publish --since`` of a version whose whole image is published,
everything it does included: the image read back, the gate, the older image unpacked as far as it is needed, every file
synced. Between the versions a title is added, a core renewed, and a config line changed: on the demo's largest card,
and on a card with MB (default 1000) of files.

Sizes: "contents" is what replaces a general delta: the contents and the plan, packed; "folder" is all that is handed
over, with record, statement, bill, sheet and pages, which a general delta comes without. Aims: contents at most 1.2
times xdelta3, time at most that of xdelta3. Everything is made in a temporary folder (TMPDIR) and removed again.
"""

from __future__ import annotations

import random
import resource
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parents[2]))

from pipeline.build.build import Build
from pipeline.build.flow import build_card
from pipeline.distribute.delta import older_version
from pipeline.distribute.publish import publish
from pipeline.publish.compression import zstd
from tests.support import small
from tests.support.building import build_in
from tests.support.cli import demo_copy, write_tree
from tests.unit.commands.test_publish import WITH_RIGHTS

RIGHTS = '[rights]\nlicence = "CC0-1.0"\nholder = "bench"\nsource = "bench"\n'
TURNS = 2
"""The faster of so many counts."""

FILE = 7_400_000
"""Bytes of each file that stays as it is."""

chance = random.Random(1)


def main(megabytes: int = 1000) -> None:
    with TemporaryDirectory(prefix="cardkiln-delta-") as folder:
        race("demo", Path(folder, "demo"), "arcade-evening", demo_older, demo_newer)
        race(f"{megabytes} MB", Path(folder, "large"), "desk", lambda path: large_older(path, megabytes), large_newer)


def race(name: str, folder: Path, card: str, older: Callable[[Path], None], newer: Callable[[Path], None]) -> None:
    folder.mkdir()
    older(folder)
    version(folder, card, "1")
    images = folder / "images"
    images.mkdir()
    build = finished(folder, card)
    publish(build, card, "zstd", None)
    keep_image(build, card, images / "old")
    newer(folder)
    version(folder, card, "2")
    build = finished(folder, card)
    publish(build, card, "zstd", None)
    keep_image(build, card, images / "new")
    print(f"{name}: images of {(images / 'new').stat().st_size:,} bytes")
    xdelta, zstd_patch, ours = (
        min(times) for times in zip(*(turn(build, card, images) for _ in range(TURNS)), strict=True)
    )
    made = build.workspace.base / f"dist/{card}-2-since-1"
    files = [path for path in made.rglob("*") if path.is_file()]
    plan = len(zstd.compress((made.parent / f"{card}-2/plan.json").read_bytes(), 19))
    contents = sum(path.stat().st_size for path in files if path.parent.name == "contents") + plan
    whole = sum(path.stat().st_size for path in files)
    theirs = (images / "x").stat().st_size
    print(f"  xdelta3            {theirs:12,} bytes {xdelta[0]:7.2f} s, processor {xdelta[1]:7.2f} s")
    size = (images / "z").stat().st_size
    print(f"  zstd --patch-from  {size:12,} bytes {zstd_patch[0]:7.2f} s, processor {zstd_patch[1]:7.2f} s")
    print(f"  contents           {contents:12,} bytes {ours[0]:7.2f} s, processor {ours[1]:7.2f} s")
    print(f"  folder             {whole:12,} bytes")
    print(
        f"  ratio to xdelta3: contents {contents / theirs:.2f} (aim 1.2), folder {whole / theirs:.2f}, "
        f"time {ours[0] / xdelta[0]:.2f}, processor {ours[1] / xdelta[1]:.2f} (aim 1); to zstd: contents "
        f"{contents / size:.2f}, folder {whole / size:.2f}, time {ours[0] / zstd_patch[0]:.2f}"
    )
    shutil.rmtree(folder)


def turn(build: Build, card: str, images: Path) -> list[tuple[float, float]]:
    """Return what each takes once: seconds, and seconds of processor."""
    xdelta = timed(["xdelta3", "-e", "-f", "-s", "old", "new", "x"], images)
    zstd_patch = timed(["zstd", "-q", "-f", "--long=31", "--patch-from=old", "new", "-o", "z"], images)
    shutil.rmtree(build.workspace.base / f"dist/{card}-2-since-1", ignore_errors=True)
    start, used = time.perf_counter(), time.process_time()
    publish(build, card, "zstd", None, (), older_version(build.workspace, card, "1", "2"))
    return [xdelta, zstd_patch, (time.perf_counter() - start, time.process_time() - used)]


def demo_older(folder: Path) -> None:
    """The demo without one title, and with an earlier release of the core and another setting."""
    demo_copy(folder)
    edit(folder / "inputs/titles/moth-pantry.toml", '"upright", ', "")
    edit(folder / "inputs/cards/arcade-evening.toml", 'value = "25"', 'value = "26"')
    build = build_in(folder)
    core = build.inputs.manifest.cores["glimmer"]
    location = build.inputs.search.locations[core.bitstream.sha256]
    from pipeline.sources.files.read import read_content

    data = bytearray(read_content(location, core.bitstream))
    start = len(data) // 2
    data[start : start + 400] = chance.randbytes(400)
    write_tree(folder, {"inputs/files/attic/older.bin": bytes(data)})
    edit(folder / "inputs/cores/glimmer.toml", core.bitstream.sha256, small.sha(bytes(data)))
    edit(folder / "inputs/cores/glimmer.toml", f'crc32 = "{core.bitstream.crc32:08x}"\n', "")


def demo_newer(folder: Path) -> None:
    shutil.rmtree(folder / "inputs")
    demo_copy(folder)


def large_older(folder: Path, megabytes: int) -> None:
    files: dict[str, str | bytes] = dict(WITH_RIGHTS)
    files["inputs/cards/desk.toml"] = small.CARD.replace("16 MiB", f"{max(megabytes * 11 // 10, 40)} MB")
    small.small_project(folder, files)
    for number in range(megabytes * 1_000_000 // FILE):
        write_tree(folder, {f"inputs/files/system/F{number:03}.BIN": chance.randbytes(FILE)})
    bitstream(folder, CORE)


def large_newer(folder: Path) -> None:
    """Another release of the core, in which a fifth of the frames differ, a second title, and another setting."""
    data = bytearray(CORE)
    for _ in range(len(CORE) // 2048 // 5):
        at = chance.randrange(len(CORE) // 2048 // 2) * 2048
        data[at : at + 2048] = chance.randbytes(2048)
    bitstream(folder, bytes(data))
    chips = [chance.randbytes(262_144) for _ in range(4)]
    title = ['name = "Owl ledger"\ncore = "fern"\n']
    for number, chip in enumerate(chips):
        title.append(f'[chips.c{number}]\nsize = "256 KiB"\nsha256 = "{small.sha(chip)}"\n')
        write_tree(folder, {f"inputs/files/attic/c{number}.bin": chip})
    title.append(f'[[rom]]\npath = "OWL.ROM"\nsize = "1 MiB"\nsha256 = "{small.sha(b"".join(chips))}"\n')
    title.append('[[rom.steps]]\nat = 0\njoin = ["c0", "c1", "c2", "c3"]\n')
    write_tree(folder, {"inputs/titles/owl-ledger.toml": "".join(title) + RIGHTS})
    edit(folder / "inputs/cards/desk.toml", 'titles = ["snail-race"]', 'titles = ["snail-race", "owl-ledger"]')
    edit(folder / "inputs/boards/oak.toml", 'regional = "1"', 'regional = "2"')


CORE = b"".join(chance.randbytes(2048) for _ in range(512)) + bytes(1 << 20)
"""A bitstream of 2 MiB, half of it empty."""


def bitstream(folder: Path, data: bytes) -> None:
    text = small.CORE.replace(small.sha(small.BITSTREAM), small.sha(data))
    text = text.replace(f"size = {len(small.BITSTREAM)}", f"size = {len(data)}")
    write_tree(folder, {"inputs/files/attic/core.bin": data, "inputs/cores/fern.toml": text + RIGHTS})


def version(folder: Path, card: str, number: str) -> None:
    path = folder / f"inputs/cards/{card}.toml"
    text = path.read_text(encoding="utf-8")
    for old in ("1", "2"):
        text = text.replace(f'version = "{old}"', f'version = "{number}"')
    path.write_text(text, encoding="utf-8")


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text, (path, old)
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def finished(folder: Path, card: str) -> Build:
    """Return a build of the folder whose card is built."""
    build_card(build_in(folder), card, lambda _: None)
    return build_in(folder)


def keep_image(build: Build, card: str, target: Path) -> None:
    image = build.workspace.card_folder(card) / "card.img"
    subprocess.run(["cp", "--sparse=always", str(image), str(target)], check=True)


def timed(words: list[str], folder: Path) -> tuple[float, float]:
    """Return seconds, and seconds of processor, that a public tool takes."""
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(words, cwd=folder, check=True, stderr=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return time.perf_counter() - start, used


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:2]))
