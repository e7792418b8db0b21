"""Turns the image of one plan into that of another, in place: only blocks that differ are written.

The bytes come from the same functions as a whole image's; here they meet a file that holds most of them already.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from io import FileIO
from pathlib import Path

from pipeline.errors import CheckError
from pipeline.fat.table import cluster_runs
from pipeline.image.stream import ZEROS, TargetError, write_at
from pipeline.image.write import PART, Opener, cannot_write, write_contents, write_system_area
from pipeline.model.plan import Entry, Plan

BLOCK = 1 << 12
"""Bytes compared at once: what file systems and disks write at the least."""

MOST = 0.5
"""The part of a card's bytes from which writing it whole is no slower."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Patched:
    """What was written into the old image: ranges that do not touch, and their bytes in all."""

    ranges: int
    bytes_written: int


def kept_files(old: Plan, new: Plan) -> frozenset[Entry] | None:
    """Return the files of ``new`` whose bytes the image of ``old`` holds in their place already.

    None when writing all is no slower, or the volume is another: then the image is to be written whole.
    """
    if old.volume != new.volume:
        return None
    old_extents = {(entry.cluster, entry.size, entry.sha256) for entry in old.entries}
    files = [entry for entry in new.entries if not entry.is_folder]
    kept = frozenset(entry for entry in files if (entry.cluster, entry.size, entry.sha256) in old_extents)
    lost = sum(entry.size for entry in files if entry not in kept)
    freed = sum(end - start for start, end in freed_clusters(old, new)) * new.volume.cluster_bytes
    return kept if lost + freed <= MOST * sum(entry.size for entry in files) else None


def patch_image(old: Plan, new: Plan, kept: frozenset[Entry], opener: Opener, target: Path) -> Patched:
    """Make ``target``, which holds the image of ``old``, that of ``new``, and sync it.

    ``kept``: what ``kept_files`` gave. Raises as ``write_image`` does; what a failed run leaves is of no use.
    """
    volume = new.volume
    try:
        with target.open("rb+", buffering=0) as file:
            stream = _Patch(file, volume.cluster_offset(2), volume.cluster_bytes)
            write_system_area(new, stream)
            problems = write_contents(new, opener, stream, kept)
            stream.end_cluster()
            for start, end in freed_clusters(old, new):
                stream.zero(volume.cluster_offset(start), volume.cluster_offset(end))
            if problems:
                raise CheckError(problems)
            os.fsync(file.fileno())
    except TargetError as error:
        raise cannot_write(new, target, error.args[0]) from error
    except OSError as error:
        raise cannot_write(new, target, error) from error
    return Patched(ranges=stream.ranges, bytes_written=stream.written)


def freed_clusters(old: Plan, new: Plan) -> Iterator[tuple[int, int]]:
    """Yield the runs (from, to) of clusters that ``old`` uses and ``new`` does not, ascending."""
    taken = cluster_runs(new)
    number = 0
    for first, count in cluster_runs(old):
        end = first + count
        while first < end:
            while number < len(taken) and sum(taken[number]) <= first:
                number += 1
            start, length = taken[number] if number < len(taken) else (end, 0)
            if first < start:
                yield first, min(start, end)
            first = start + length if start < end else end


class _Patch:
    """Takes the bytes of the new image in ascending order and writes the blocks that are not there yet.

    Before ``data`` (offset of the first cluster) what is skipped is zeros. Behind it only the rest of a cluster is:
    the clusters between belong to files that are kept, or are free.
    """

    def __init__(self, file: FileIO, data: int, cluster: int) -> None:
        self.ranges = self.written = 0
        self._file, self._data, self._cluster = file, data, cluster
        self._at = 0
        self._end = -1  # of the last range written
        self._room = memoryview(bytearray(PART))

    def room(self, most: int) -> memoryview:
        return self._room[:most]

    def fill(self, size: int) -> None:
        self.put(self._room[:size])

    def put(self, data: bytes | memoryview) -> None:
        view = memoryview(data)
        for start in range(0, len(view), PART):
            part = view[start : start + PART]
            self._differing(part)
            self._at += len(part)

    def skip_to(self, offset: int) -> None:
        if offset < self._at:
            raise ValueError(f"offset {offset} was already passed")
        self.end_cluster(offset)
        self._at = offset

    def end_cluster(self, before: int | None = None) -> None:
        """Have zeros from here to where files may begin again, or at most to ``before``."""
        end = self._data + max(0, -(-(self._at - self._data) // self._cluster)) * self._cluster
        self.zero(self._at, end if before is None else min(end, before))

    def zero(self, start: int, end: int) -> None:
        """Have zeros from ``start`` up to ``end``."""
        self._at = start
        while self._at < end:
            self.put(ZEROS[: min(len(ZEROS), end - self._at)])

    def _differing(self, data: memoryview) -> None:
        try:
            self._file.seek(self._at)
            current = self._file.read(len(data))
        except OSError as error:
            raise TargetError(error) from error
        if current == data:
            return
        for start in range(0, len(data), BLOCK):
            part = data[start : start + BLOCK]
            if current[start : start + BLOCK] != part:
                offset = self._at + start
                self.ranges += offset != self._end
                self._end = offset + len(part)
                self.written += write_at(self._file, offset, part)
