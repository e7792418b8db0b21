"""The bytes of a ZIP archive's members: ``zipfile`` reads the directory, and each member that is not as that says.

A member that is just as its directory says is read here, in half the time: ``zipfile`` takes longer to open a small one
than to inflate it.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from functools import cached_property
from struct import Struct
from typing import BinaryIO, NamedTuple, cast
from zipfile import ZIP_DEFLATED, ZIP_STORED, ZipFile, ZipInfo

from pipeline.sources.files.archive import DAMAGE, ENCRYPTED_FLAGS, PIECE, ArchiveError, damage

STEP = 1 << 16
"""Packed bytes that are inflated together; measured: zlib takes three times as long with 256 KiB at a time."""
HEADER = Struct("<4s2xH18x2H")
"""Local file header: signature, flags, length of the name and of the extra field (APPNOTE 4.3.7)."""
READ_METHODS = (ZIP_STORED, ZIP_DEFLATED)
"""``zipfile`` reads others too, which are refused when an archive is listed."""
SIGNATURE = b"PK\3\4"
UTF_8 = 0x800
"""The name is UTF-8, else code page 437 (APPNOTE 4.4.4, bit 11, and appendix D)."""
PATCHED = 0x20
"""Patch data (APPNOTE 4.4.4, bit 5)."""


class ZipEntry(NamedTuple):
    """What the directory says of a member: where its local header is, bytes packed and unpacked, CRC-32, and how.

    ``limit``: where the next member begins, or the directory.
    """

    offset: int
    limit: int
    packed: int
    size: int
    crc32: int
    method: int
    flags: int


class _LeftToZipfileError(ValueError):
    """A member is not as the directory says, or of a kind that is not read here: ``zipfile`` reads it."""


class UnzippedArchive:
    """The members of an open archive by name, as its directory has them; raises ArchiveError where it is damaged."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        with damage("is damaged"):
            archive = ZipFile(stream)
        listed = archive.infolist()
        starts = sorted({entry.header_offset for entry in listed})
        limits = dict(zip(starts, [*starts[1:], archive.start_dir], strict=False))
        self.entries = {entry.orig_filename: _entry(entry, limits[entry.header_offset]) for entry in listed}

    def pieces(self, name: str) -> Iterator[bytes]:
        """Yield the bytes of one member; exactly as many as declared, with the declared CRC-32.

        Raises ArchiveError when there are fewer, the CRC-32 differs, the packed data are damaged or the local header
        contradicts the directory. Of more than are declared one is unpacked at most, or what ``zipfile`` takes for a
        piece; what is declared then has another CRC-32. The last piece is given out after all are checked.
        """
        given = 0
        try:
            for piece in _unpacked(self._stream, name, self.entries[name]):
                given += len(piece)
                yield piece
        except DAMAGE:
            yield from self._read_by_zipfile(name, given)

    def _read_by_zipfile(self, name: str, given: int) -> Iterator[bytes]:
        """Yield a member as ``zipfile`` reads it, without the first ``given`` bytes, which were yielded already."""
        count, size = 0, self.entries[name].size
        with damage(f"{name!r} is damaged"):
            if self.entries[name].method not in READ_METHODS:
                raise NotImplementedError("that compression method is not supported")
            archive, entries = self._library
            with archive.open(entries[name]) as member:
                while piece := member.read(PIECE):
                    fresh, count = piece[max(given - count, 0) :], count + len(piece)
                    if fresh:
                        yield fresh
        if count != size:
            raise ArchiveError(f"{name!r} is damaged: {count:,} bytes instead of {size:,}")

    @cached_property
    def _library(self) -> tuple[ZipFile, dict[str, ZipInfo]]:
        archive = ZipFile(self._stream)
        return archive, {entry.orig_filename: entry for entry in archive.infolist()}


def _entry(entry: ZipInfo, limit: int) -> ZipEntry:
    sizes = entry.compress_size, entry.file_size
    return ZipEntry(entry.header_offset, limit, *sizes, entry.CRC, entry.compress_type, entry.flag_bits)


def _unpacked(stream: BinaryIO, name: str, entry: ZipEntry) -> Iterator[bytes]:
    """Yield the bytes of a member, the last of them only where all is as declared; others may read between two."""
    at = _data_offset(stream, name, entry)
    inflater = zlib.decompressobj(-zlib.MAX_WBITS) if entry.method == ZIP_DEFLATED else None
    end, left, crc32, packed = at + entry.packed, entry.size, 0, b""
    if end > entry.limit:
        raise _LeftToZipfileError
    while left:
        fresh = b""
        if not packed:
            stream.seek(at)
            packed = fresh = stream.read(min(STEP, end - at))
            at += len(fresh)
        if inflater:
            piece = inflater.decompress(packed, min(PIECE, left + 1))  # one more, or it would not see the end
            packed = inflater.unconsumed_tail
        else:
            piece, packed = packed, b""
        left -= len(piece)
        crc32 = zlib.crc32(piece, crc32)
        is_whole = left == 0 and crc32 == entry.crc32 and (inflater is None or inflater.eof)
        if not (is_whole or (left > 0 and (piece or fresh))):
            raise _LeftToZipfileError
        if piece:
            yield piece


def _data_offset(stream: BinaryIO, name: str, entry: ZipEntry) -> int:
    """Return where the packed bytes of a member begin; raises _LeftToZipfileError for what is left to ``zipfile``."""
    stream.seek(entry.offset)
    header = stream.read(HEADER.size)
    if len(header) < HEADER.size or entry.flags & (ENCRYPTED_FLAGS | PATCHED) or not entry.size:
        raise _LeftToZipfileError
    signature, flags, name_length, extra_length = cast("tuple[bytes, int, int, int]", HEADER.unpack(header))
    local_name = stream.read(name_length)
    spelled = local_name.decode("utf-8" if flags & UTF_8 or local_name.isascii() else "cp437")
    if signature != SIGNATURE or spelled != name or entry.method not in READ_METHODS:
        raise _LeftToZipfileError
    return entry.offset + HEADER.size + name_length + extra_length
