"""Bitstreams in packed files: gzip (RFC 1952) and ZIP (APPNOTE 6.3.10, 4.3)."""

from __future__ import annotations

import io
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass

from pipeline.bitstreams.bitstream import Bitstream
from pipeline.bitstreams.identify import identify

GZIP = b"\x1f\x8b\x08"
ZIP = b"PK\x03\x04"
GZIP_WINDOW = 16 + zlib.MAX_WBITS

MOST_BYTES = 128 << 20
"""Bytes that are unpacked of one file at most."""

MOST_MEMBERS = 16
"""Members of an archive that are looked at."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Packed:
    """``kind``: "gzip file" or "ZIP archive". ``content``: the first bitstream in it, None where none is known.

    ``command``: what unpacks it.
    """

    kind: str
    content: Bitstream | None
    command: str


def identify_packed(data: bytes) -> Packed | None:
    """Return what a packed file holds, None for a file that is not packed. Any bytes will do; nothing is raised."""
    if data.startswith(GZIP):
        return Packed(kind="gzip file", content=_first(_gunzip(data)), command='"gunzip"')
    if data.startswith(ZIP):
        return Packed(kind="ZIP archive", content=_first(_members(data)), command='"unzip", or "python3 -m zipfile -e"')
    return None


def _first(contents: Iterator[bytes]) -> Bitstream | None:
    return next(filter(None, map(identify, contents)), None)


def _gunzip(data: bytes) -> Iterator[bytes]:
    try:
        yield zlib.decompressobj(GZIP_WINDOW).decompress(data, MOST_BYTES)
    except zlib.error:
        return


def _members(data: bytes) -> Iterator[bytes]:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            for member in archive.infolist()[:MOST_MEMBERS]:
                with archive.open(member) as stream:
                    yield stream.read(MOST_BYTES)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, ValueError, OSError):
        return
