"""The writer: one pass, holes for what is zero, and a clear word when a source or the disk fails.

That the bytes are those of a FAT volume is for the strangers to say (``test_random_trees.py``); hashlib and the
operating system are the other side here.
"""

from __future__ import annotations

import errno
import hashlib
import io
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from dataclasses import replace
from pathlib import Path
from typing import BinaryIO

import pytest

from pipeline.errors import CardkilnError, CheckError, MachineError
from pipeline.image import stream
from pipeline.image.read_back import read_back
from pipeline.image.write import naming_changed_sources, write_image
from pipeline.model.plan import Entry
from tests.support.needs import missing, public_folder, without_privileges
from tests.unit.image.cards import FILES, build, opener_of, plan_of, sample_plan, volume_of

HINT = "\n  hint: it changed after it was found; build again"


def told(error: CardkilnError) -> list[str]:
    return [str(problem) for problem in error.problems]


@pytest.mark.parametrize("fat_bits", [12, 16, 32])
def test_hash_and_size_are_those_of_the_file(fat_bits: int, tmp_path: Path) -> None:
    image = tmp_path / "card.img"
    steps: list[int] = []

    written = write_image(sample_plan(fat_bits), opener_of(FILES), image, steps.append)

    content = image.read_bytes()
    assert written.image_sha256 == hashlib.sha256(content).hexdigest()
    assert written.image_size == len(content) == sum(steps)
    assert sum(map(len, FILES.values())) < written.bytes_written < len(content) // 2


def test_free_space_takes_no_room(tmp_path: Path) -> None:
    image = tmp_path / "card.img"
    written = build(sample_plan(32), FILES, image)
    if not hasattr(image.stat(), "st_blocks") or image.stat().st_blocks * 512 >= written.image_size:
        pytest.skip("this file system has no holes")

    assert image.stat().st_blocks * 512 < written.bytes_written + (1 << 20)


def test_the_same_plan_gives_the_same_bytes(tmp_path: Path) -> None:
    one, other = tmp_path / "one.img", tmp_path / "other.img"

    assert build(sample_plan(), FILES, one) == build(sample_plan(), FILES, other)
    assert one.read_bytes() == other.read_bytes()


def test_what_lay_at_the_target_is_gone(tmp_path: Path) -> None:
    one, other = tmp_path / "one.img", tmp_path / "other.img"
    other.write_bytes(b"\xff" * (20 << 20))
    build(sample_plan(), FILES, one)
    build(sample_plan(), FILES, other)

    assert one.read_bytes() == other.read_bytes()


@pytest.mark.parametrize("size", [0, 1, 511, 512, stream.BLOCK - 1, stream.BLOCK, stream.BLOCK + 1, 5 * stream.BLOCK])
def test_contents_of_any_size_lie_where_the_plan_has_them(size: int, tmp_path: Path) -> None:
    files = {"A.BIN": os.urandom(size), "B.BIN": os.urandom(3), "C.BIN": os.urandom(size)}
    plan = plan_of(files, volume_of(16, size=64 << 20))
    image = tmp_path / "card.img"
    build(plan, files, image)

    content = image.read_bytes()
    for entry in plan.entries:
        start = plan.volume.cluster_offset(entry.cluster) if entry.clusters else 0
        assert content[start : start + entry.size] == files[entry.path]


def test_nothing_but_the_target_is_touched(tmp_path: Path) -> None:
    other = tmp_path / "other.txt"
    other.write_text("mine")
    before = other.stat()
    build(sample_plan(), FILES, tmp_path / "card.img")

    assert sorted(path.name for path in tmp_path.iterdir()) == ["card.img", "other.txt"]
    assert other.stat().st_mtime_ns == before.st_mtime_ns


def test_every_source_that_changed_is_named(tmp_path: Path) -> None:
    plan = sample_plan()
    sources = {
        **FILES,
        "FIRST.BIN": FILES["FIRST.BIN"][:-1],
        "EMPTY.TXT": b"!",
        "GOODS/SNAIL.ROM": FILES["GOODS/SNAIL.ROM"] + b"!",
        "GOODS/MOTH/MOTH.ROM": b"\1" + FILES["GOODS/MOTH/MOTH.ROM"][1:],
    }
    found = hashlib.sha256(sources["GOODS/MOTH/MOTH.ROM"]).hexdigest()
    expected = hashlib.sha256(FILES["GOODS/MOTH/MOTH.ROM"]).hexdigest()

    with pytest.raises(CheckError) as caught:
        write_image(plan, opener_of(sources), tmp_path / "card.img")

    assert told(caught.value) == [
        f"EMPTY.TXT: the source has more than the 0 bytes expected{HINT}",
        f"FIRST.BIN: the source has 4,999 bytes; expected 5,000{HINT}",
        f"GOODS/MOTH/MOTH.ROM: the source has the SHA-256 {found}; expected {expected}{HINT}",
        f"GOODS/SNAIL.ROM: the source has more than the 512 bytes expected{HINT}",
    ]


def test_every_source_with_other_bytes_is_named_when_the_image_is_read_back(tmp_path: Path) -> None:
    plan, image = sample_plan(), tmp_path / "card.img"
    sources = {**FILES, "GOODS/MOTH/MOTH.ROM": b"\1" + FILES["GOODS/MOTH/MOTH.ROM"][1:]}
    found, expected = (hashlib.sha256(files["GOODS/MOTH/MOTH.ROM"]).hexdigest() for files in (sources, FILES))

    written = write_image(plan, opener_of(sources), image)
    with pytest.raises(CheckError) as caught, naming_changed_sources(plan, opener_of(sources)):
        read_back(plan, image, written)
    assert told(caught.value) == [f"GOODS/MOTH/MOTH.ROM: the source has the SHA-256 {found}; expected {expected}{HINT}"]

    with pytest.raises(CheckError) as damaged, naming_changed_sources(plan, opener_of(FILES)):
        read_back(plan, image, written)
    hint = "\n  hint: build the card again; if it happens again, suspect the disk it is built on"
    assert told(damaged.value) == [f"GOODS/MOTH/MOTH.ROM: its SHA-256 is {found}; expected {expected}{hint}"]


def test_problems_an_opener_tells_are_told_with_the_others(tmp_path: Path) -> None:
    def opener(entry: Entry) -> AbstractContextManager[BinaryIO]:
        if entry.path == "FIRST.BIN":
            raise CheckError.one("the archive is damaged", file="box.zip")
        return io.BytesIO(FILES[entry.path] + b"!")

    with pytest.raises(CheckError) as caught:
        write_image(sample_plan(), opener, tmp_path / "card.img")

    assert len(caught.value.problems) == len(FILES)
    assert "box.zip: the archive is damaged" in told(caught.value)


def test_a_source_in_small_pieces(tmp_path: Path) -> None:
    class Slow(io.BytesIO):
        def readinto(self, buffer: bytearray) -> int:  # type: ignore[override]  # the base class takes any buffer
            return super().readinto(memoryview(buffer)[:7])

    image = tmp_path / "card.img"
    whole = build(sample_plan(), FILES, tmp_path / "whole.img")

    assert write_image(sample_plan(), lambda entry: Slow(FILES[entry.path]), image) == whole


def test_a_source_that_cannot_be_opened(tmp_path: Path) -> None:
    def opener(entry: Entry) -> AbstractContextManager[BinaryIO]:
        return (tmp_path / "gone" / entry.name).open("rb")

    with pytest.raises(MachineError) as caught:
        write_image(sample_plan(), opener, tmp_path / "card.img")

    assert told(caught.value) == [
        f"EMPTY.TXT: its source cannot be read: {os.strerror(errno.ENOENT)} ({tmp_path / 'gone' / 'EMPTY.TXT'})"
    ]


def test_a_source_that_fails_while_it_is_read(tmp_path: Path) -> None:
    class Bad(io.BytesIO):
        def readinto(self, buffer: object) -> int:
            raise OSError(errno.EIO, os.strerror(errno.EIO))

    with pytest.raises(MachineError) as caught:
        write_image(sample_plan(), lambda entry: Bad(FILES[entry.path]), tmp_path / "card.img")

    assert told(caught.value) == [f"FIRST.BIN: its source cannot be read: {os.strerror(errno.EIO)}"]


@pytest.mark.skipif(os.name != "posix", reason="permissions are those of POSIX")
def test_no_permission() -> None:
    with public_folder() as folder:
        target = folder / "locked" / "card.img"
        target.parent.mkdir(mode=0o555)
        with without_privileges(), pytest.raises(MachineError) as caught:
            build(sample_plan(), FILES, target)

    assert told(caught.value) == [f"{target}: the image cannot be written: {os.strerror(errno.EACCES)} ({target})"]


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    target = tmp_path / "gone" / "card.img"

    with pytest.raises(MachineError) as caught:
        build(sample_plan(), FILES, target)

    assert told(caught.value) == [f"{target}: the image cannot be written: {os.strerror(errno.ENOENT)} ({target})"]


FULL_HINT = "\n  hint: free that much, or build on another disk"


class FailingWrite:
    """Stands in for the stream's writing: the n-th call writes only a part, then the disk is full."""

    def __init__(self, failing: int = 0) -> None:
        self.calls, self.failing = 0, failing
        self._write = stream.SparseStream._write

    def __get__(self, owner: stream.SparseStream, kind: type) -> Callable[[int, memoryview], None]:
        def write(offset: int, data: memoryview) -> None:
            self.calls += 1
            failing = self.calls == self.failing
            self._write(owner, offset, data[: len(data) // 2] if failing else data)
            if failing:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

        return write


def test_a_full_disk_at_any_write(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plan = sample_plan(32)
    target = tmp_path / "card.img"
    needed = 16384 * 512 + 186 * 512  # what lies before cluster 2, and the clusters in use

    counting = FailingWrite()
    monkeypatch.setattr(stream.SparseStream, "_write", counting)
    build(plan, FILES, target)
    monkeypatch.undo()

    assert counting.calls > 2
    for failing in range(1, counting.calls + 1):
        monkeypatch.setattr(stream.SparseStream, "_write", FailingWrite(failing))
        with pytest.raises(MachineError) as caught:
            build(plan, FILES, target)
        monkeypatch.undo()
        what = f"the disk is full: {os.strerror(errno.ENOSPC)}; the image takes up to {needed:,} bytes"
        assert told(caught.value) == [f"{target}: {what}{FULL_HINT}"]


def test_a_disk_that_is_really_full(tmp_path: Path) -> None:
    if sys.platform != "linux" or os.geteuid() != 0 or shutil.which("mount") is None:
        missing("a small file system can be made by root on Linux only")
    disk = tmp_path / "disk"
    disk.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(disk)]
    if subprocess.run(command, capture_output=True, check=False).returncode != 0:
        missing("mounting is not allowed here")
    try:
        with pytest.raises(MachineError, match=r"the disk is full: .*; the image takes up to [\d,]+ bytes"):
            build(sample_plan(), FILES, disk / "card.img")
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def test_short_writes_are_continued(tmp_path: Path) -> None:
    """POSIX write() may take fewer bytes than it is given."""

    class Short(io.FileIO):
        def write(self, data: memoryview) -> int:  # type: ignore[override]  # the base class takes any buffer
            return super().write(data[:1000])

    content = os.urandom(50_000)
    path = tmp_path / "file"
    with Short(path, "wb") as file, stream.SparseStream(file, lambda _: None) as target:
        target.put(content)
        target.skip_to(200_000)
        target.put(content)
        sha256 = target.finish(300_000)

    whole = content.ljust(200_000, b"\0") + content.ljust(100_000, b"\0")
    assert path.read_bytes() == whole
    assert sha256 == hashlib.sha256(whole).hexdigest()


def test_going_back_is_refused(tmp_path: Path) -> None:
    with (tmp_path / "file").open("wb", buffering=0) as file, stream.SparseStream(file, lambda _: None) as target:
        target.put(b"12345")
        with pytest.raises(ValueError, match="offset 4 was already written"):
            target.skip_to(4)


def test_overlapping_files_are_refused(tmp_path: Path) -> None:
    plan = sample_plan()
    files: Mapping[str, bytes] = FILES
    entries = [replace(e, cluster=e.cluster - 1) if e.path == "GOODS/SNAIL.ROM" else e for e in plan.entries]

    with pytest.raises(ValueError, match="expected from"):
        build(replace(plan, entries=tuple(entries)), files, tmp_path / "card.img")
