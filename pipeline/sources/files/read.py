"""Hand out found contents; every byte is checked again while it is read, and the last ones only after the check."""

from __future__ import annotations

import hashlib
import io
import sys
from collections.abc import Generator, Iterable, Iterator
from contextlib import closing, contextmanager
from itertools import groupby
from pathlib import Path
from typing import BinaryIO, cast

from pipeline.model.content import Content, Location
from pipeline.sources.files.archive import ArchiveError
from pipeline.sources.files.contents import opened, pieces
from pipeline.sources.files.digest import changed
from pipeline.sources.files.problems import machine_error, open_file
from pipeline.sources.files.signature import signature


@contextmanager
def open_content(location: Location, content: Content) -> Iterator[BinaryIO]:
    """Give a binary stream of a content that lies at a location, to be read from start to end.

    Reading raises CheckError when the bytes are not the content: at once when too many come, else instead of handing
    out the last of them, so that whoever has read ``content.size`` bytes has the right ones. Raises MachineError
    where the system does not let us read.
    """
    with closing(_checked(location, content)) as checked, _Stream(checked) as stream:
        yield cast("BinaryIO", stream)


def read_content(location: Location, content: Content) -> bytes:
    """Return the bytes of a content that lies at a location; raises as ``open_content`` does."""
    return b"".join(_checked(location, content))


def read_contents(wanted: Iterable[tuple[Location, Content]]) -> list[bytes]:
    """Return the bytes of contents in their order; raises as ``open_content`` does.

    Much quicker than one by one for small members of one archive that stand together, since it is looked at once.
    """
    read = list[bytes]()
    for (path, is_file), group in groupby(wanted, key=lambda located: (located[0].path, located[0].member is None)):
        if is_file:
            read += [read_content(*located) for located in group]
            continue
        archive = None
        for location, content in group:
            with _told(location):
                archive = archive or opened(path, signature(Path(path).stat()))
                read.append(b"".join(_proven(location, content, archive.pieces(location.member or ""))))
    return read


def _checked(location: Location, content: Content) -> Generator[bytes, None, None]:
    """Yield the bytes of the file or member at a location."""
    with _told(location), open_file(location.path) as stream:
        yield from _proven(location, content, pieces(stream, location))


@contextmanager
def _told(location: Location) -> Iterator[None]:
    """Turn what reading a source raises into what a person is told."""
    try:
        yield
    except OSError as error:
        raise machine_error(location.path, error) from error
    except ArchiveError as error:
        raise changed(location, error.what) from error


def _proven(location: Location, content: Content, arriving: Iterable[bytes]) -> Iterator[bytes]:
    """Yield pieces of bytes, one piece behind, so that the last is kept back until all are checked."""
    sha256, size, waiting = hashlib.sha256(), 0, b""
    for piece in arriving:
        sha256.update(piece)
        size += len(piece)
        if content.size is not None and size > content.size:
            raise changed(location, f"it has more than the {content.size:,} bytes expected")
        if waiting:
            yield waiting
        waiting = piece
    if content.size not in (None, size):
        raise changed(location, f"it has {size:,} bytes instead of {content.size:,}")
    if sha256.hexdigest() != content.sha256:
        raise changed(location, f"its SHA-256 is {sha256.hexdigest()} instead of {content.sha256}")
    if waiting:
        yield waiting


class _Stream(io.BufferedIOBase):
    """A stream over pieces of bytes, which are handed on without being copied where a whole one is asked for."""

    def __init__(self, checked: Iterator[bytes]) -> None:
        self._pieces, self._piece, self._at = checked, b"", 0

    def readable(self) -> bool:
        """Whether it can be read: yes."""
        return True

    def read(self, size: int | None = -1, /) -> bytes:
        """Return the next ``size`` bytes, fewer only at the end; all that are left where no size is given."""
        left = sys.maxsize if size is None or size < 0 else size
        parts = []
        while left:
            if self._at == len(self._piece):
                self._piece, self._at = next(self._pieces, b""), 0
                if not self._piece:
                    break
            part = self._piece[self._at : self._at + left]
            self._at, left = self._at + len(part), left - len(part)
            parts.append(part)
        return b"".join(parts)
