"""What a receiver has of an older version: its files wherever they lie, found by content and read at any offset."""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import MachineError
from pipeline.image.opened import open_image, read_at
from pipeline.model.reading import Reading
from pipeline.model.text import shown
from pipeline.volume.read import NotFatError, read_volume

PART = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class OldFile:
    """A file of the older card. ``read``: gives the bytes at an offset, fewer at the end; raises OSError."""

    path: str
    size: int
    read: Callable[[int, int], bytes]

    def sha256(self) -> str:
        """Return the SHA-256 of what it holds now."""
        digest = hashlib.sha256()
        for at in range(0, self.size, PART):
            digest.update(self.read(at, min(PART, self.size - at)))
        return digest.hexdigest()


@contextmanager
def files_of_card(path: Path) -> Iterator[list[OldFile]]:
    """Give the files of an image, a disk or a mounted card, those that are only links or devices left out.

    Raises MachineError when it is not there, is no such thing, or holds no FAT volume; OSError.
    """
    with ExitStack() as stack:
        if path.is_dir():
            yield list(_of_folder(path))
            return
        if not path.exists():
            what = "there is no such image, disk or folder"
            raise MachineError.one(what, "name what you have of the older version", file=shown(path))
        descriptor, size = open_image(path, stack)
        try:
            reading = read_volume(lambda offset, length: read_at(descriptor, offset, length), size)
        except NotFatError as error:
            raise MachineError.one(str(error), error.hint, file=shown(path)) from None
        yield list(_of_reading(reading, descriptor))


def _of_reading(reading: Reading, descriptor: int) -> Iterator[OldFile]:
    for item in reading.items:
        ranges = reading.ranges(item)
        if item.is_folder or sum(length for _, length in ranges) != item.size:
            continue  # a chain that is too short holds no whole file

        def read(offset: int, length: int, ranges: tuple[tuple[int, int], ...] = ranges) -> bytes:
            return b"".join(read_at(descriptor, start, count) for start, count in _within(ranges, offset, length))

        yield OldFile(path=item.path, size=item.size, read=read)


def _within(ranges: Iterable[tuple[int, int]], offset: int, length: int) -> Iterator[tuple[int, int]]:
    """Yield the (offset in the image, bytes) of a part of a file that lies in several ranges."""
    for start, count in ranges:
        skipped = min(offset, count)
        taken = min(count - skipped, length)
        if taken:
            yield start + skipped, taken
        offset, length = offset - skipped, length - taken


def _of_folder(folder: Path) -> Iterator[OldFile]:
    for root, _, names in os.walk(folder):
        for name in names:
            path = Path(root, name)
            state = path.lstat()
            if stat.S_ISREG(state.st_mode):
                yield OldFile(
                    path=path.relative_to(folder).as_posix(),
                    size=state.st_size,
                    read=lambda offset, length, path=path: _read_file(path, offset, length),  # type: ignore[misc]
                )


def _read_file(path: Path, offset: int, length: int) -> bytes:
    with path.open("rb") as file:
        file.seek(offset)
        return file.read(length)


def find_contents(
    files: Collection[OldFile], wanted: Mapping[str, tuple[int, str]], progress: Callable[[int], None]
) -> dict[str, OldFile]:
    """Return where each wanted content lies, by SHA-256; what is not there is left out.

    ``wanted``: size and most likely path by SHA-256. Only files of those sizes are read, the likely ones first. A file
    that cannot be read counts as another. ``progress`` is called with bytes read.
    """
    sizes = {size for size, _ in wanted.values()}
    likely = {path for _, path in wanted.values()}
    found = dict[str, OldFile]()
    for file in sorted((file for file in files if file.size in sizes), key=lambda file: file.path not in likely):
        if len(found) == len(wanted):
            break
        try:
            sha256 = file.sha256()
        except OSError:
            continue
        progress(file.size)
        if sha256 in wanted and wanted[sha256][0] == file.size:
            found.setdefault(sha256, file)
    return found
