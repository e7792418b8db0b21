"""Whether all that is not a file's content is, byte for byte, what the writer of a plan would put there.

What the reader of others does not look at lies here: the zeros that fill up clusters, directories and free space.
"""

from __future__ import annotations

from contextlib import AbstractContextManager
from io import FileIO
from pathlib import Path
from typing import BinaryIO

from pipeline.errors import CheckError, MachineError
from pipeline.image.compare import problem
from pipeline.image.digest import data_extents
from pipeline.image.stream import ZEROS
from pipeline.image.write import write_contents, write_system_area
from pipeline.model.plan import SECTOR, Entry, Plan


def first_unplanned_byte(plan: Plan, image: Path) -> int | None:
    """Return the offset of the first byte outside of files' contents that is not as planned; None when all are.

    Holes of the file are not read. Raises OSError.
    """
    files = [entry for entry in plan.entries if not entry.is_folder]
    with image.open("rb", buffering=0) as file:
        try:
            sink = _Comparison(file, plan, files)
            write_system_area(plan, sink)
            write_contents(plan, _unopened, sink, frozenset(files))
            sink.skip_to(max(plan.volume.card_sectors * SECTOR, file.seek(0, 2)))
        except _UnplannedError as found:
            return found.offset
    return None


def check_unplanned(plan: Plan, image: Path) -> None:
    """Raise CheckError where ``first_unplanned_byte`` finds one, MachineError when the image cannot be read."""
    try:
        offset = first_unplanned_byte(plan, image)
    except OSError as error:
        raise MachineError.one(f"the image cannot be read: {error.strerror}", file=str(image)) from error
    if offset is not None:
        raise CheckError([problem(str(image), f"the byte at offset 0x{offset:X} is not as planned")])


def _unopened(entry: Entry) -> AbstractContextManager[BinaryIO]:
    raise NotImplementedError(entry.path)  # contents are left to the reader


class _UnplannedError(Exception):
    def __init__(self, offset: int) -> None:
        super().__init__(offset)
        self.offset = offset


class _Comparison:
    """Takes the bytes of an image in ascending order, and holds the image against them; files' contents are let by."""

    def __init__(self, file: FileIO, plan: Plan, files: list[Entry]) -> None:
        self._file, self._at = file, 0
        contents = sorted((plan.volume.cluster_offset(entry.cluster), entry.size) for entry in files if entry.size)
        self._contents = iter([(start, start + size) for start, size in contents])
        self._data = iter(list(data_extents(file.fileno())))
        self._content, self._extent = next(self._contents, None), next(self._data, None)

    def put(self, data: bytes) -> None:
        self._compare(memoryview(data))

    def skip_to(self, offset: int) -> None:
        """Hold what lies between here and an offset against zeros, but for contents and holes."""
        while self._at < offset:
            if self._content and self._content[1] <= self._at:
                self._content = next(self._contents, None)
            elif self._extent and self._extent[1] <= self._at:
                self._extent = next(self._data, None)
            elif self._content and self._content[0] <= self._at:
                self._at = min(offset, self._content[1])
            elif self._extent is None or self._at < self._extent[0]:
                self._at = min(offset, self._extent[0] if self._extent else offset)
            else:
                ends = [offset, self._extent[1], self._at + len(ZEROS), *(self._content or ())[:1]]
                self._compare(ZEROS[: min(ends) - self._at])

    def room(self, most: int) -> memoryview:
        raise NotImplementedError(most)

    def fill(self, size: int) -> None:
        raise NotImplementedError(size)

    def _compare(self, planned: memoryview) -> None:
        self._file.seek(self._at)
        found = self._file.read(len(planned))
        if found != planned:
            same = zip(found, planned, strict=False)
            raise _UnplannedError(self._at + next((i for i, (a, b) in enumerate(same) if a != b), len(found)))
        self._at += len(planned)
