"""Bitstreams in packed files: gzip (RFC 1952) and ZIP (APPNOTE 6.3.10, 4.3)."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass

from pipeline.bitstreams.bitstream import Bitstream
from pipeline.bitstreams.identify import identify

GZIP = b"\x1f\x8b\x08"
ZIP = b"PK\x03\x04"
GZIP_WINDOW, RAW_WINDOW = 16 + zlib.MAX_WBITS, -zlib.MAX_WBITS
LOCAL_HEADER, STORED, DEFLATED = 30, 0, 8

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
    yield _inflate(data, GZIP_WINDOW)[0]


def _members(data: bytes) -> Iterator[bytes]:
    """Yield the members of a ZIP archive, deflated or stored, as their local headers have them."""
    position = 0
    for _ in range(MOST_MEMBERS):
        if not data.startswith(ZIP, position):
            break
        method = int.from_bytes(data[position + 8 : position + 10], "little")
        size = int.from_bytes(data[position + 18 : position + 22], "little")
        name, extra = (int.from_bytes(data[position + at : position + at + 2], "little") for at in (26, 28))
        start = position + LOCAL_HEADER + name + extra
        end = start + size
        if method == DEFLATED:
            content, end = _inflate(data[start:], RAW_WINDOW, start)
            yield content
        elif method == STORED:
            yield data[start:end]
        position = data.find(ZIP, end)


def _inflate(data: bytes, window: int, start: int = 0) -> tuple[bytes, int]:
    """Return what a compressed stream holds, as far as it can be read, and the offset after it."""
    unpacker = zlib.decompressobj(window)
    try:
        content = unpacker.decompress(data, MOST_BYTES)
    except zlib.error:
        content = b""
    return content, start + len(data) - len(unpacker.unused_data)
