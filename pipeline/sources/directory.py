"""Read what a ZIP archive says of itself: its end record and its central directory.

Source of every layout: PKWARE .ZIP File Format Specification (APPNOTE.TXT) 6.3.10, sections 4.3.7-4.3.16 and 4.5.3.
All numbers are little-endian.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

END = struct.Struct("<4s4H2LH")
"""End of central directory: "PK\\5\\6", disk, its disk, entries here, entries, size, offset, comment length."""
END64 = struct.Struct("<4sQ2H2L4Q")
"""Its 64-bit form: "PK\\6\\6", size, made by, needed, disk, its disk, entries here, entries, size, offset."""
LOCATOR64 = struct.Struct("<4sLQL")
"""Stands between the two: "PK\\6\\7", disk, offset of the 64-bit form, number of disks."""
ENTRY = struct.Struct("<4s6H3L5H2L")
"""Entry: "PK\\1\\2", made by, needed, flags, method, time, date, CRC-32, packed, size, lengths of name, extra and
comment, disk, internal attributes, external attributes, offset."""
LOCAL = struct.Struct("<4s5H3L2H")
"""Local header: "PK\\3\\4", needed, flags, method, time, date, CRC-32, packed, size, lengths of name and extra."""

SMALLEST = END.size
"""Bytes of an archive without members."""
STARTS = (b"PK\x03\x04", b"PK\x05\x06")
"""How an archive begins: with a local header, or at once with the end record."""
LONGEST_NAME = 4096
"""Bytes of a member's name we accept; no system we know takes a longer path."""
UTF8_FLAG = 0x800
FULL = 0xFFFFFFFF
"""A 32-bit field that holds this has its value in the 64-bit extra field."""


class ArchiveError(ValueError):
    """An archive, or one member of it, that cannot or must not be read: what is wrong and what to do."""

    def __init__(
        self, what: str, hint: str = "get an undamaged copy, or unpack it into a folder and pack it anew"
    ) -> None:
        super().__init__(what)
        self.what, self.hint = what, hint


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """One entry of the central directory; ``size`` and ``packed`` in bytes, ``offset`` of its local header in the file.

    ``mode`` is the upper half of the external attributes: the POSIX mode where the archive was made on POSIX, else 0.
    """

    name: str
    raw_name: bytes
    size: int
    packed: int
    crc32: int
    method: int
    flags: int
    mode: int
    offset: int

    @property
    def is_folder(self) -> bool:
        """Whether the entry stands for a folder: its name ends with "/" (APPNOTE 4.3.8)."""
        return self.name.endswith("/")


@dataclass(frozen=True, slots=True, kw_only=True)
class Directory:
    """Where the central directory lies: number of entries, first byte and the byte after it, bytes before the archive.

    ``shift`` is what stands before the archive proper (a program that unpacks it); offsets inside do not count it.
    """

    entries: int
    start: int
    end: int
    shift: int


def find_directory(stream: BinaryIO) -> Directory:
    """Return where the central directory of an open archive lies; raises ArchiveError when there is none."""
    size = stream.seek(0, os.SEEK_END)
    reach = min(size, SMALLEST + 0xFFFF)
    stream.seek(size - reach)
    tail = stream.read(reach)
    at = tail.rfind(b"PK\x05\x06")
    while at >= 0 and (len(tail) - at < SMALLEST or len(tail) - at - SMALLEST < END.unpack_from(tail, at)[7]):
        at = tail.rfind(b"PK\x05\x06", 0, at)
    if at < 0:
        raise ArchiveError(_no_end(stream))
    _, disk, directory_disk, _, entries, length, offset, _ = END.unpack_from(tail, at)
    end = size - reach + at
    stream.seek(max(0, end - LOCATOR64.size - END64.size))
    before = stream.read(min(end, LOCATOR64.size + END64.size))
    if before[-LOCATOR64.size :].startswith(b"PK\x06\x07"):
        if not before.startswith(b"PK\x06\x06"):
            raise ArchiveError("is damaged: its 64-bit end record is missing")
        _, _, _, _, disk, directory_disk, _, entries, length, offset = END64.unpack_from(before)
        end -= len(before)
    if disk != directory_disk or disk not in (0, 0xFFFF):
        raise ArchiveError("is one part of an archive in several parts", "unpack all parts into a folder")
    start = end - length
    if start < 0 or offset > start:
        raise ArchiveError(f"is damaged or cut off: {length:,} bytes of directory do not fit before byte {end:,}")
    return Directory(entries=entries, start=start, end=end, shift=start - offset)


def _no_end(stream: BinaryIO) -> str:
    """Return why a file without an end record is no archive."""
    stream.seek(0)
    start = stream.read(4)
    if start in STARTS:
        return "is cut off: the directory at its end is missing"
    return f"is no ZIP archive: it begins with {start.hex(' ').upper()}" if start else "is no ZIP archive: it is empty"


def read_members(stream: BinaryIO, most: int | None = None) -> Iterator[Member]:
    """Yield the entries of an open archive's central directory in its order, folders included.

    Raises ArchiveError when the directory is damaged, or has more than ``most`` entries.
    """
    directory = find_directory(stream)
    _check_number(directory.entries, most)
    stream.seek(directory.start)
    at, number, packed = directory.start, 0, 0
    while at < directory.end:
        head = stream.read(ENTRY.size)
        if len(head) < ENTRY.size or not head.startswith(b"PK\x01\x02"):
            raise ArchiveError(f"is damaged: entry {number + 1:,} of its directory is unreadable")
        lengths = ENTRY.unpack(head)[10:13]
        rest = stream.read(sum(lengths))
        at += len(head) + sum(lengths)
        number += 1
        _check_number(number, most)
        if at > directory.end or len(rest) < sum(lengths):
            raise ArchiveError(f"is damaged: entry {number:,} of its directory is cut off")
        member = _member(head, rest, directory)
        packed += member.packed
        if packed > directory.start:
            raise ArchiveError("is refused: its members share bytes, so that it unpacks to far more than it holds")
        yield member
    if number & 0xFFFF != directory.entries & 0xFFFF:
        raise ArchiveError(f"is damaged: it says it has {directory.entries:,} entries, but has {number:,}")


def _check_number(entries: int, most: int | None) -> None:
    if most is not None and entries > most:
        raise ArchiveError(
            f"has more than {most:,} entries, the limit", "unpack it into a folder, or raise limits.entries"
        )


def _member(head: bytes, rest: bytes, directory: Directory) -> Member:
    """Return the member an entry and the three fields after it describe."""
    _, _, _, flags, method, _, _, crc, packed, size, name_length, extra_length, _, _, _, attributes, offset = (
        ENTRY.unpack(head)
    )
    raw_name, extra = rest[:name_length], rest[name_length : name_length + extra_length]
    size, packed, offset = _wide((size, packed, offset), extra)
    name = _name(raw_name, flags)
    if offset + directory.shift + LOCAL.size + packed > directory.start:
        raise ArchiveError(f"is damaged or cut off: {packed:,} bytes of {name!r} do not fit into it")
    return Member(
        name=name,
        raw_name=raw_name,
        size=size,
        packed=packed,
        crc32=crc,
        method=method,
        flags=flags,
        mode=attributes >> 16,
        offset=offset + directory.shift,
    )


def _wide(values: tuple[int, int, int], extra: bytes) -> tuple[int, int, int]:
    """Return size, packed size and offset with 64-bit values where the 32-bit ones are full (APPNOTE 4.5.3)."""
    if FULL not in values:
        return values
    at = 0
    while at + 4 <= len(extra):
        kind, length = struct.unpack_from("<2H", extra, at)
        field, at = extra[at + 4 : at + 4 + length], at + 4 + length
        if kind == 1 and len(field) >= 8 * values.count(FULL):
            wide = iter(struct.unpack_from(f"<{values.count(FULL)}Q", field))
            size, packed, offset = (next(wide) if value == FULL else value for value in values)
            return size, packed, offset
    raise ArchiveError("is damaged: a 64-bit size is missing")


def _name(raw: bytes, flags: int) -> str:
    """Return a member's name: UTF-8 where the flag says so, else code page 437 (APPNOTE appendix D)."""
    if len(raw) > LONGEST_NAME:
        raise ArchiveError(f"has a name of {len(raw):,} bytes; {LONGEST_NAME:,} is the limit")
    try:
        return raw.decode("utf-8" if flags & UTF8_FLAG else "cp437")
    except UnicodeDecodeError:
        raise ArchiveError(f"has a name that is no valid UTF-8 text: {raw!r}") from None
