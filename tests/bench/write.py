"""``python -m tests.bench.write``, as root: writing a card against ``dd`` of the whole image, on a loop device.

A 2 GiB card with 1 GB of content. Theirs: ``dd bs=16M conv=fsync`` of the whole image. Ours: what the plan uses, synced
every 16 MiB; reading all of it back past the cache, which dd does not do, is printed apart. Then an update after one
file of 135 changed: bytes written against bytes that differ (aim: 1.1).
Everything is made in a temporary folder (TMPDIR) and removed again.
"""

from __future__ import annotations

import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

from pipeline.build.flow import build_card
from pipeline.device import block_device
from pipeline.device.ranges import BLOCK
from pipeline.device.write import WrittenBytes, differences, write_ranges
from pipeline.inspect.opened_build import OpenedBuild, opened_build
from tests.bench.publish import made

SIZE = 1_000_000_000 // 135


def main() -> None:
    with TemporaryDirectory(prefix="cardkiln-bench-") as folder:
        project = made(Path(folder), SIZE)
        build_card(project, "bench", lambda line: None)
        behind = Path(folder, "behind.bin")
        with behind.open("wb") as file:
            file.truncate((project.workspace.card_folder("bench") / "card.img").stat().st_size)
        attach = subprocess.run(["losetup", "-f", "--show", str(behind)], check=True, capture_output=True, text=True)
        device = attach.stdout.strip()
        try:
            with opened_build(project, "bench") as card:
                measure(card, device)
        finally:
            run("losetup", "-d", device)


def measure(card: OpenedBuild, device: str) -> None:
    theirs = timed(lambda: run("dd", f"if={card.image_path}", f"of={device}", "bs=16M", "conv=fsync", "status=none"))
    run("dd", "if=/dev/zero", f"of={device}", "bs=1M", "count=4", "conv=fsync", "status=none")
    first = timed(lambda: write_to(device, card))
    back = timed(lambda: read_back(device, card))
    print(f"dd {theirs:.2f} s; first write {first:.2f} s, reading back {back:.2f} s")
    print(f"ratio {first / theirs:.2f}, with reading back {(first + back) / theirs:.2f}")
    entry = card.plan.entries[60]
    at = card.plan.volume.cluster_offset(entry.cluster)
    with card.image_path.open("r+b") as image:
        image.seek(at)
        data = image.read(entry.size)
        image.seek(at)
        image.write(bytes(255 - byte for byte in data))
    again = time.perf_counter()
    counts = write_to(device, card)
    print(f"update {time.perf_counter() - again:.2f} s: {counts.written:,} bytes written")
    print(f"ratio to bytes that differ {counts.written / entry.size:.3f} (aim 1.1)")


def write_to(device: str, card: OpenedBuild) -> WrittenBytes:
    with block_device.OpenDisk.opened(device) as disk:
        return write_ranges(card.plan, card.read, disk)


def read_back(device: str, card: OpenedBuild) -> None:
    with block_device.OpenDisk.opened(device) as disk, disk.past_cache() as (reader, certain):
        assert certain
        assert list(differences(card.plan, card.read, reader)) == []


def run(*words: str) -> None:
    subprocess.run(words, check=True)


def timed(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


if __name__ == "__main__":
    print(f"blocks of {BLOCK} bytes")
    main()
