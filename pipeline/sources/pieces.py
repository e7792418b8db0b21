"""The bytes of a file or of an archive's member, a piece at a time, counted while they arrive."""

from __future__ import annotations

import os
import zlib
from collections.abc import Iterator, Mapping
from functools import lru_cache, partial
from pathlib import Path
from typing import BinaryIO

from pipeline.model.content import Location
from pipeline.sources.archive import DEFLATED, ENCRYPTED_FLAGS, STORED
from pipeline.sources.directory import LOCAL, ArchiveError, Member, read_members
from pipeline.sources.signature import signature

PIECE = 1 << 18
"""Bytes asked for at a time, and the most a piece holds."""


def pieces(stream: BinaryIO, location: Location) -> Iterator[bytes]:
    """Yield the bytes at a location, whose file is open as ``stream``, in pieces of 1 to ``PIECE`` bytes.

    Raises ArchiveError when the archive or the member is damaged or not what its directory says.
    """
    stat = os.fstat(stream.fileno())
    if location.member is None:
        return iter(partial(stream.read, min(PIECE, stat.st_size + 1)), b"")
    members = _members(location.path, signature(stat))
    member = members.get(location.member)
    if member is None:
        raise ArchiveError(f"has no member {location.member!r} any more", "run again; it is looked at anew")
    return unpack(stream, member)


@lru_cache(maxsize=16)
def _members(path: str, known: str) -> Mapping[str, Member]:
    """Return the members of an archive by name, remembered while its signature stays the same."""
    with Path(path).open("rb") as stream:
        if signature(os.fstat(stream.fileno())) != known:
            raise ArchiveError("changed while it was read", "run again when nothing writes to it")
        return {member.name: member for member in read_members(stream)}


def unpack(stream: BinaryIO, member: Member) -> Iterator[bytes]:
    """Yield the bytes of one member of an open archive; exactly as many as declared, with the declared CRC-32.

    Raises ArchiveError as soon as more bytes come than the directory declares, and when there are fewer, the CRC-32
    differs, the packed data are damaged or the local header contradicts the directory.
    Source: APPNOTE 4.3.7 (local header), 4.4.5 (methods), 4.4.7 (CRC-32); RFC 1951 (deflate).
    """
    _seek_data(stream, member)
    count, crc = 0, 0
    for piece in _inflated(stream, member) if member.method == DEFLATED else _stored(stream, member):
        count, crc = count + len(piece), zlib.crc32(piece, crc)
        if count > member.size:
            raise ArchiveError(f"{member.name!r} is damaged: more bytes than the {member.size:,} declared")
        yield piece
    if count != member.size:
        raise ArchiveError(f"{member.name!r} is damaged: {count:,} bytes instead of {member.size:,}")
    if crc != member.crc32:
        raise ArchiveError(f"{member.name!r} is damaged: CRC-32 is {crc:08x} instead of {member.crc32:08x}")


def _seek_data(stream: BinaryIO, member: Member) -> None:
    """Go to the first packed byte, past a local header that must agree with the directory."""
    if member.flags & ENCRYPTED_FLAGS or member.method not in (STORED, DEFLATED):
        raise ArchiveError(f"{member.name!r} is encrypted or packed by a method that is not supported")
    stream.seek(member.offset)
    head = stream.read(LOCAL.size)
    if len(head) < LOCAL.size or not head.startswith(b"PK\x03\x04"):
        raise ArchiveError(f"{member.name!r} is damaged: there is no header at byte {member.offset:,}")
    name_length, extra_length = LOCAL.unpack(head)[9:11]
    if stream.read(name_length) != member.raw_name:
        raise ArchiveError(f"{member.name!r} is damaged: it has another name in its own header")
    stream.seek(extra_length, os.SEEK_CUR)


def _stored(stream: BinaryIO, member: Member) -> Iterator[bytes]:
    left = member.packed
    while left and (piece := stream.read(min(left, PIECE))):
        left -= len(piece)
        yield piece


def _inflated(stream: BinaryIO, member: Member) -> Iterator[bytes]:
    inflate, left = zlib.decompressobj(-zlib.MAX_WBITS), member.packed
    while not inflate.eof:
        packed = inflate.unconsumed_tail or stream.read(min(left, PIECE))
        left -= 0 if inflate.unconsumed_tail else len(packed)
        try:
            piece = inflate.decompress(packed, PIECE)
        except zlib.error:
            raise ArchiveError(f"{member.name!r} is damaged: its packed data are no deflate stream") from None
        if piece:
            yield piece
        elif not packed:
            raise ArchiveError(f"{member.name!r} is damaged: its packed data end too early")
