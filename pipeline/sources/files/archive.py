"""List the usable members of a ZIP archive, and refuse what is hostile or cannot be read.

Where a name or the whole archive cannot be trusted, the archive is refused. Where only a member cannot be used
(encrypted, packed by another method, a link, suspiciously small or too large), only that member is left out.
``zipfile`` reads the archive. Here is what it does not do: bound what it reads, and judge what it read.
"""

from __future__ import annotations

import os
import re
import stat
import struct
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from lzma import LZMAError
from tarfile import TarError
from typing import BinaryIO, NamedTuple
from zipfile import ZIP_DEFLATED, ZIP_STORED, BadZipFile, ZipFile, ZipInfo, is_zipfile

from pipeline.model.manifest import ArchiveLimits
from pipeline.model.units import show_size

PIECE = 1 << 18
"""Bytes asked for at a time, and the most that are handed on together."""
SMALLEST = 22
"""Bytes of an archive without members."""
ENTRY_ROOM = 1024
"""Bytes of directory an entry may take on average; ten times what is usual, so that its size bounds their number."""
LOCAL_HEADER = 30
"""Bytes before a member's name and data, at least (APPNOTE 4.3.7)."""
LONGEST_NAME = 4096
"""Characters of a member's name; no system we know takes a longer path."""
RATIO_FREE = 1 << 20
"""Members up to this many bytes may be packed by any ratio; they can do no harm."""
ENCRYPTED_FLAGS = 0x2041
"""Encrypted, strongly encrypted, directory encrypted (APPNOTE 4.4.4, bits 0, 6 and 13)."""
METHODS = {1: "Shrink", 6: "Implode", 9: "Deflate64", 12: "BZIP2", 14: "LZMA", 93: "Zstandard", 95: "XZ", 98: "PPMd"}
"""Methods beside the two of ISO/IEC 21320-1 (Document Container File), stored and deflated; rare, refused by name
(APPNOTE 4.4.5)."""
DAMAGE = (
    BadZipFile,
    TarError,
    LZMAError,
    zlib.error,
    struct.error,
    EOFError,
    RuntimeError,
    ValueError,
    OverflowError,
    LookupError,
)
"""What ``zipfile``, ``tarfile`` and what they are built on raise where bytes are not what they should be."""


class ArchiveError(ValueError):
    """An archive, or one member of it, that cannot or must not be read: what is wrong and what to do."""

    def __init__(
        self, what: str, hint: str = "get an undamaged copy, or unpack it into a folder and pack it anew"
    ) -> None:
        super().__init__(what)
        self.what, self.hint = what, hint


class Member(NamedTuple):
    """A file in an archive as its directory declares it; size in bytes, CRC-32 where there is one."""

    name: str
    size: int
    crc32: int | None


class Claim(NamedTuple):
    """The name and size in bytes that an archive claims for a file or folder in it."""

    name: str
    size: int
    is_folder: bool = False


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong with an archive or some of its members, and what to do."""

    what: str
    hint: str


@dataclass(frozen=True, slots=True)
class Listing:
    """The files of an archive that can be used, in its own order, and what is wrong with the rest.

    ``folders``: the names of its entries for folders, each with a "/" at the end.
    """

    members: tuple[Member, ...] = ()
    faults: tuple[Fault, ...] = ()
    folders: tuple[str, ...] = ()


def named_as_archive(path: bytes | str) -> bool:
    """Whether a file's name ends with ".zip"; "._NAME.zip" is what macOS leaves beside an archive, and is none."""
    name = os.fsdecode(path).replace(os.sep, "/").rpartition("/")[2]
    return name.lower().endswith(".zip") and not name.startswith("._")


def list_archive(stream: BinaryIO, limits: ArchiveLimits) -> Listing:
    """Return the members of an open archive; one that is refused has a single fault and no members.

    Only the directory is read. OSError is left to the caller.
    """
    try:
        entries = _entries(stream, limits)
        refuse_hostile((Claim(entry.orig_filename, entry.file_size, is_folder(entry)) for entry in entries), limits)
    except ArchiveError as error:
        return Listing(faults=(Fault(error.what, error.hint),))
    unusable: dict[Fault, list[str]] = {}
    usable, folders = list[Member](), list[str]()
    for entry in entries:
        if is_folder(entry):
            folders.append(entry.orig_filename)
        elif fault := _member_fault(entry, limits):
            unusable.setdefault(fault, []).append(entry.orig_filename)
        else:
            usable.append(Member(entry.orig_filename, entry.file_size, entry.CRC))
    faults = tuple(summary(fault, names) for fault, names in unusable.items())
    return Listing(tuple(usable), faults, tuple(folders))


@contextmanager
def damage(what: str) -> Iterator[None]:
    """Turn whatever reading an archive raises for its bytes into an ArchiveError that begins with ``what``.

    OSError is the machine's and goes through.
    """
    try:
        yield
    except ArchiveError:
        raise
    except UnicodeDecodeError:
        raise ArchiveError(f"{what}: a name is not valid UTF-8 text") from None
    except DAMAGE as error:
        words = str(error) or "the data end too early"
        raise ArchiveError(f"{what}: {words[0].lower()}{words[1:]}") from error


def is_folder(entry: ZipInfo) -> bool:
    """Whether an entry stands for a folder: its name ends with "/" (APPNOTE 4.3.8)."""
    return entry.orig_filename.endswith("/")


def name_fault(name: str) -> str | None:
    """Return why a member's name must not be trusted, None if it may be.

    Source: APPNOTE 4.4.17.1 (no drive, no leading slash, forward slashes only); ISO/IEC 21320-1, 4.
    """
    if not plain_path(name) and not name.endswith("./"):
        return "is empty"
    if len(name) > LONGEST_NAME:
        return f"has {len(name):,} characters; {LONGEST_NAME:,} is the limit"
    if "\0" in name:
        return "holds a NUL"
    if "\\" in name:
        return "holds a backslash"
    if name.startswith("/"):
        return "is an absolute path"
    if re.match(r"[A-Za-z]:", name):
        return "names a drive"
    return 'leads out of the archive by ".."' if ".." in name.split("/") else None


def plain_path(name: str) -> str:
    """Return a member's name without empty and "." parts."""
    return "/".join(part for part in name.split("/") if part not in ("", "."))


class _Bounded:
    """A stream as ``zipfile`` reads it, but a directory of any size is not read: it would be held in memory whole."""

    def __init__(self, stream: BinaryIO, entries: int) -> None:
        self._stream, self._entries = stream, entries
        self.seek, self.tell = stream.seek, stream.tell

    def read(self, size: int = -1, /) -> bytes:
        if size > self._entries * ENTRY_ROOM:
            raise too_many(self._entries)
        return self._stream.read(size)


def too_many(entries: int) -> ArchiveError:
    """Return the exception for an archive with more entries than are allowed."""
    hint = "unpack it into a folder, or raise limits.entries"
    return ArchiveError(f"has more than {entries:,} entries, the limit", hint)


def _entries(stream: BinaryIO, limits: ArchiveLimits) -> list[ZipInfo]:
    """Return the entries of an open archive, folders included; raises ArchiveError where it is none, or damaged."""
    with damage("is damaged"):
        if not is_zipfile(stream):
            raise ArchiveError(_no_end(stream))
        archive = ZipFile(_Bounded(stream, limits.entries))
    entries = archive.infolist()
    if len(entries) > limits.entries:
        raise too_many(limits.entries)
    if any(entry.volume not in (0, 0xFFFF) for entry in entries):
        raise ArchiveError("is one part of an archive in several parts", "unpack all parts into a folder")
    _refuse_overlaps(entries, archive.start_dir)
    return entries


def _no_end(stream: BinaryIO) -> str:
    """Return why a file without an end record is no archive."""
    stream.seek(0)
    start = stream.read(4)
    if start.startswith(b"PK"):
        return "is cut off: the directory at its end is missing"
    return (
        f"is not a ZIP archive: it begins with {start.hex(' ').upper()}"
        if start
        else "is not a ZIP archive: it is empty"
    )


def _refuse_overlaps(entries: Iterable[ZipInfo], end: int) -> None:
    """Raise ArchiveError for bytes that belong to two entries, or lie outside of those before ``end``, the directory.

    Many entries for the same packed bytes are how small archives unpack to petabytes.
    """
    next_start = end
    for entry in sorted(entries, key=lambda entry: entry.header_offset, reverse=True):
        past = entry.header_offset + LOCAL_HEADER + entry.compress_size
        if past > end or entry.header_offset < 0:
            what = f"is damaged or cut off: {entry.compress_size:,} bytes of {entry.orig_filename!r} do not fit into it"
            raise ArchiveError(what, "get an undamaged copy; if it is one of several parts, unpack all into a folder")
        if past > next_start:
            raise ArchiveError("is refused: its members share bytes, so that it unpacks to far more than it holds")
        next_start = entry.header_offset


def refuse_hostile(claims: Iterable[Claim], limits: ArchiveLimits) -> None:
    """Raise ArchiveError for the first reason not to trust an archive as a whole."""
    total, taken = 0, dict[str, Claim]()
    for claim in claims:
        if wrong := name_fault(claim.name):
            hint = "do not trust this archive; if you must, unpack it with care and use the folder"
            raise ArchiveError(f"is refused: the name {claim.name[:200]!r} {wrong}", hint)
        folded = plain_path(claim.name).casefold()
        if folded in taken:
            _refuse_collision(taken[folded], claim)
        taken[folded] = claim
        total += claim.size
    if total > limits.total:
        what = f"is refused: it unpacks to {show_size(total)}; {show_size(limits.total)} is the limit"
        raise ArchiveError(what, "raise limits.total if this is right")


def _refuse_collision(first: Claim, second: Claim) -> None:
    """Raise ArchiveError for two members that are one when case is ignored; a folder may be listed twice."""
    if first.name != second.name:
        what = f"the names {first.name!r} and {second.name!r} are the same when case is ignored"
    elif not first.is_folder:
        what = f"two members are named {first.name!r}"
    else:
        return
    raise ArchiveError(f"is refused: {what}", "unpack it, rename one of them and pack it anew")


def _member_fault(entry: ZipInfo, limits: ArchiveLimits) -> Fault | None:
    """Return why a member cannot be used, None if it can; ``what`` continues "N members ..."."""
    kind = stat.S_IFMT(entry.external_attr >> 16)
    if kind not in (0, stat.S_IFREG, stat.S_IFDIR):
        link = kind == stat.S_IFLNK
        return Fault("a link to another file" if link else "a device or pipe", "put the file itself into the archive")
    if entry.flag_bits & ENCRYPTED_FLAGS:
        return Fault("encrypted", "unpack it with its password into a folder and use the folder")
    if entry.compress_type not in (ZIP_STORED, ZIP_DEFLATED):
        method = METHODS.get(entry.compress_type, "unknown")
        what = f"packed by method {entry.compress_type} ({method}), which is not supported"
        return Fault(what, 'pack it anew with "deflate", or unpack it into a folder')
    if fault := size_fault(entry.file_size, limits):
        return fault
    if entry.file_size > RATIO_FREE and entry.file_size > entry.compress_size * limits.ratio:
        what = f"packed smaller than 1:{limits.ratio}, the limit"
        return Fault(what, "unpack it into a folder, or raise limits.ratio")
    return None


def size_fault(size: int, limits: ArchiveLimits) -> Fault | None:
    """Return why a member of a size in bytes cannot be used, None if it can."""
    if size <= limits.member:
        return None
    return Fault(f"larger than {show_size(limits.member)}, the limit", "raise limits.member if this is right")


def summary(fault: Fault, names: list[str]) -> Fault:
    """Return one line for all members with the same fault, naming the first of them."""
    if len(names) == 1:
        return Fault(f"the member {names[0]!r} is {fault.what}; it is not used", fault.hint)
    return Fault(f"{len(names):,} members are {fault.what}; they are not used, the first is {names[0]!r}", fault.hint)
