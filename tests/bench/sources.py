"""How long it takes to look through many small files: `python tests/bench/sources.py [FILES] [FOLDER]`.

Prints a first scan, a second one of the same files, a search that hashes, and one that remembers. Everything is made
in a temporary folder (below FOLDER) and removed again. The aim: 100,000 unchanged files in under 2 s.
"""

from __future__ import annotations

import hashlib
import os
import sys
import time
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from pipeline.errors import Place
from pipeline.model.content import Content, Wanted
from pipeline.model.manifest import ArchiveLimits
from pipeline.sources.index import Index

PER_FOLDER, PER_ARCHIVE = 250, 200


def main(files: int = 100_000, below: str | None = None) -> None:
    with TemporaryDirectory(prefix="cardkiln-bench-", dir=below) as folder:
        place, index = Path(folder, "attic"), Path(folder, "index.sqlite")
        with timed(f"make {files:,} files"):
            make(place, files)
        wanted = [want(number) for number in range(0, files, 10)]
        for run in ("first", "second"):
            with Index(index) as open_index:
                with timed(f"{run} scan"):
                    scan = open_index.scan([place], ArchiveLimits())
                with timed(f"{run} search for {len(wanted):,} contents"):
                    found = open_index.find(wanted)
            print(
                f"  {scan.files:,} files, {scan.archives} archives, {scan.members:,} members; {scan.changed:,} changed"
            )
            print(f"  {len(found.locations):,} found, {len(found.missing):,} missing")
        print(f"index: {index.stat().st_size:,} bytes")


def data(number: int) -> bytes:
    return f"{number:08d}".encode() * (1 + number % 64)


def want(number: int) -> Wanted:
    content = Content(sha256=hashlib.sha256(data(number)).hexdigest(), size=len(data(number)))
    return Wanted(content=content, name=f"file {number}", place=Place())


def make(place: Path, files: int) -> None:
    """Make the files an hour old, so that they may be remembered, and a small archive for every hundredth folder."""
    then = time.time() - 3600
    for first in range(0, files, PER_FOLDER):
        folder = place / f"{first // 10_000:04d}" / f"{first:06d}"
        folder.mkdir(parents=True)
        for number in range(first, min(files, first + PER_FOLDER)):
            path = folder / f"dump {number}.bin"
            path.write_bytes(data(number))
            os.utime(path, (then, then))
        if first % (100 * PER_FOLDER) == 0:
            with zipfile.ZipFile(folder / "box.zip", "w", zipfile.ZIP_DEFLATED) as archive:
                for number in range(first, first + PER_ARCHIVE):
                    archive.writestr(f"{number}", data(number))
            os.utime(folder / "box.zip", (then, then))


@contextmanager
def timed(what: str) -> Iterator[None]:
    start = time.perf_counter()
    yield
    print(f"{what}: {time.perf_counter() - start:.2f} s")


if __name__ == "__main__":
    main(int(sys.argv[1]) if sys.argv[1:] else 100_000, sys.argv[2] if sys.argv[2:] else None)
