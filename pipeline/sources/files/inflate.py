"""The bytes that gzip, bzip2 and xz pack, a piece at a time, never many more than are allowed."""

from __future__ import annotations

import bz2
import gzip
import lzma
from collections.abc import Iterable, Iterator
from functools import partial
from tempfile import SpooledTemporaryFile
from typing import BinaryIO, cast

from pipeline.model.manifest import ArchiveLimits
from pipeline.model.units import show_size
from pipeline.sources.files.archive import PIECE, RATIO_FREE, ArchiveError, damage
from pipeline.sources.files.kinds import Kind

IN_MEMORY = 16 << 20
"""Bytes of what was unpacked that are kept in memory; more goes to a temporary file."""
MOST = 1 << 30
"""Bytes that are unpacked to look into a packed file, or at archives within an archive."""
XZ_MEMORY = 256 << 20
"""Bytes of memory that unpacking xz may take; its highest ordinary setting needs 65 MiB."""


def inflated(stream: BinaryIO, kind: Kind, limits: ArchiveLimits | None = None) -> Iterator[bytes]:
    """Yield what a packed file holds, from its start, in pieces of at most ``PIECE`` bytes.

    Raises ArchiveError where it is damaged or, with ``limits``, unpacks to more than is allowed; OSError.
    """
    packed = stream.seek(0, 2)
    stream.seek(0)
    count = 0
    for piece in _unpacked(stream, kind):
        count += len(piece)
        if limits and count > RATIO_FREE and count > packed * limits.ratio:
            raise ArchiveError(
                f"is packed smaller than 1:{limits.ratio}, the limit", "unpack it into a folder, or raise limits.ratio"
            )
        if limits and count > min(limits.member, MOST):
            what = f"unpacks to more than {show_size(min(limits.member, MOST))}; it is not looked into"
            raise ArchiveError(what, "unpack it into a folder")
        yield piece


def _unpacked(stream: BinaryIO, kind: Kind) -> Iterator[bytes]:
    with damage("is damaged"):
        try:
            if kind is Kind.XZ:
                yield from _xz(stream)
            else:
                reader = gzip.GzipFile(fileobj=stream) if kind is Kind.GZIP else bz2.BZ2File(stream)
                yield from iter(partial(reader.read1, PIECE), b"")
        except OSError as error:
            if error.errno is None:  # the modules' own, for bytes that are not theirs
                raise EOFError(str(error)) from error
            raise


def _xz(stream: BinaryIO) -> Iterator[bytes]:
    """Yield what one or several xz streams hold; zeros may follow each (The .xz File Format 1.1.0, 2.2)."""
    data = stream.read(PIECE)
    while data:
        decoder = lzma.LZMADecompressor(lzma.FORMAT_XZ, memlimit=XZ_MEMORY)
        while not decoder.eof:
            if decoder.needs_input and not data:
                data = stream.read(PIECE)
                if not data:
                    raise EOFError
            piece, data = decoder.decompress(data, PIECE), b""
            if piece:
                yield piece
        data = decoder.unused_data
        while not data.lstrip(b"\0") and (more := stream.read(PIECE)):
            data = more
        data = data.lstrip(b"\0")


class _Spooled(SpooledTemporaryFile[bytes]):
    """Closed with the last who uses it; from 3.13 on Python warns of that."""

    def __del__(self) -> None:
        self.close()


def spooled(pieces: Iterable[bytes]) -> BinaryIO:
    """Return a stream of all the bytes, to be read in any order."""
    file = _Spooled(IN_MEMORY)
    try:
        for piece in pieces:
            file.write(piece)
        file.seek(0)
    except BaseException:
        file.close()
        raise
    return cast("BinaryIO", file)
