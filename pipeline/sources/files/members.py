"""The files in an archive of any kind that is read, and in the archives within it: listed, and opened.

A file in an archive within an archive is named by both: "inner.zip/u1.bin". Archives in these are not looked into.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from typing import BinaryIO

from pipeline.model.manifest import ArchiveLimits
from pipeline.model.units import show_size
from pipeline.sources.files.archive import (
    ArchiveError,
    Claim,
    Fault,
    Listing,
    Member,
    list_archive,
    named_as_archive,
    refuse_hostile,
    size_fault,
    summary,
)
from pipeline.sources.files.inflate import MOST, inflated, spooled
from pipeline.sources.files.kinds import BEGINNING, PACKED, SUFFIXES, Kind, inner_name, kind_of, unread
from pipeline.sources.files.tar import TarEntry, tar_entries, tar_pieces
from pipeline.sources.files.unzip import UnzippedArchive

UNPACK = "unpack it into a folder"


def beginning(stream: BinaryIO) -> bytes:
    """Return the bytes that tell a file's kind."""
    stream.seek(0)
    return stream.read(BEGINNING)


def list_members(stream: BinaryIO, name: str, limits: ArchiveLimits) -> Listing:
    """Return the usable files of an archive called ``name`` and of the archives within it; else as ``list_archive``.

    What is packed whole is unpacked for it, up to ``MOST`` bytes.
    """
    listing, opened = _listed(stream, name, limits)
    if opened is None:
        return listing
    members, faults, left = list(listing.members), list(listing.faults), MOST
    for inner in filter(_may_be_archive, listing.members):
        if inner.size > left:
            faults.append(Fault(f"{inner.name!r} in it, {show_size(inner.size)}, is too large to look into", UNPACK))
            continue
        left -= inner.size
        found = _inner(opened, inner.name, limits)
        faults += (Fault(f"{inner.name!r} in it {fault.what}", fault.hint) for fault in found.faults)
        members += (member._replace(name=f"{inner.name}/{member.name}") for member in found.members)
        if len(members) > limits.entries:
            faults.append(Fault(f"with the archives within it, it has more than {limits.entries:,} files", UNPACK))
            return Listing(listing.members, tuple(faults))
    if len({member.name for member in members}) < len(members):
        faults.append(Fault("is not looked into any deeper: a folder in it is called as an archive beside it", UNPACK))
        return Listing(listing.members, tuple(faults))
    return Listing(tuple(members), tuple(faults))


def _inner(opened: Opened, name: str, limits: ArchiveLimits) -> Listing:
    """Return what lies in an archive within an archive."""
    try:
        stream = spooled(opened.pieces(name))
    except ArchiveError as error:
        return Listing(faults=(Fault(error.what, error.hint),))
    with stream:
        start = beginning(stream)
        if what := unread(start):
            return Listing(faults=(Fault(f"is {what}, which is not read", UNPACK),))
        if kind_of(start) is None:
            return Listing()
        listing, _ = _listed(stream, name, limits)
    deeper = [member.name for member in listing.members if _may_be_archive(member)]
    if deeper:
        fault = Fault(f"holds further archives, which are not looked into; the first is {deeper[0]!r}", UNPACK)
        return Listing(listing.members, (*listing.faults, fault))
    return listing


def _may_be_archive(member: Member) -> bool:
    return member.name.lower().endswith(SUFFIXES)


def _listed(stream: BinaryIO, name: str, limits: ArchiveLimits) -> tuple[Listing, Opened | None]:
    """Return what an archive holds, and the archive opened where more may lie in it."""
    kind = kind_of(beginning(stream))
    if kind in (Kind.ZIP, None):
        listing = list_archive(stream, limits)
        return listing, Opened(stream, name) if any(map(_may_be_archive, listing.members)) else None
    try:
        opened = Opened(stream, name, limits)
        listing = opened.listing(limits)
    except ArchiveError as error:
        return Listing(faults=(Fault(error.what, error.hint),)), None
    return listing, opened


class Opened:
    """An archive whose files can be read in any order; it holds the stream, and closes it with itself.

    Raises ArchiveError where it is damaged or, with ``limits``, holds more than is allowed; OSError.
    """

    def __init__(self, stream: BinaryIO, name: str, limits: ArchiveLimits | None = None) -> None:
        self._limits, self._streams = limits, [stream]
        self._inner: tuple[str, Opened] | None = None
        self._tar: Sequence[TarEntry] | None = None
        self._pieces: Callable[[str], Iterator[bytes]]
        self._zip: UnzippedArchive | None = None
        self.entries: Collection[str] = ()
        self.size = 0
        kind = kind_of(beginning(stream))
        if kind in PACKED:
            file = spooled(inflated(stream, kind, limits))
            self._streams.append(file)
            self.size = file.seek(0, 2)
            if kind_of(beginning(file)) is Kind.TAR:
                stream, kind = file, Kind.TAR
            else:
                self.entries, self._pieces = (inner_name(name),), lambda _: inflated(stream, kind)
                file.close()
        if kind is Kind.TAR:
            self._tar = [*tar_entries(stream, limits)]
            files = {entry.name: entry for entry in self._tar if not entry.fault}
            self.entries, self._pieces = files, lambda name: tar_pieces(stream, files[name])
        elif not self.entries:
            self._zip = UnzippedArchive(stream)
            self.entries, self._pieces = self._zip.entries, self._zip.pieces

    def listing(self, limits: ArchiveLimits) -> Listing:
        """Return the usable files of a tar, or the one that is packed; raises ArchiveError for a hostile tar."""
        if self._tar is None:
            return Listing(tuple(Member(name, self.size, None) for name in self.entries))
        refuse_hostile((Claim(entry.name, entry.size) for entry in self._tar), limits)
        members, unusable = list[Member](), dict[Fault, list[str]]()
        for entry in self._tar:
            fault = entry.fault or size_fault(entry.size, limits) or _name_fault(entry.name)
            if fault:
                unusable.setdefault(fault, []).append(entry.name)
            else:
                members.append(Member(entry.name, entry.size, None))
        return Listing(tuple(members), tuple(summary(fault, names) for fault, names in unusable.items()))

    def pieces(self, name: str) -> Iterator[bytes]:
        """Yield the bytes of a file in it, or in an archive within it; raises ArchiveError where there is none."""
        return self.open(name)[0]

    def open(self, name: str) -> tuple[Iterator[bytes], int | None]:
        """Return what ``pieces`` does, and the CRC-32 to which the bytes are held while they come, None for none."""
        if name in self.entries:
            return self._pieces(name), self._zip.entries[name].crc32 if self._zip else None
        for outer in _above(name):
            if outer in self.entries:
                if self._inner is None or self._inner[0] != outer:
                    self._inner = outer, Opened(spooled(self._pieces(outer)), outer, self._limits)
                return self._inner[1].open(name[len(outer) + 1 :])
        raise ArchiveError(f"has no member {name!r} any more", "run again; it is looked at anew")

    def __del__(self) -> None:
        for stream in self._streams:
            stream.close()


def _above(name: str) -> Iterator[str]:
    """Yield the names of what a file may lie in: "a" and "a/b" of "a/b/c"."""
    at = name.find("/")
    while at >= 0:
        yield name[:at]
        at = name.find("/", at + 1)


def _name_fault(name: str) -> Fault | None:
    """Return why a name cannot be remembered: POSIX lets a name be any bytes."""
    try:
        name.encode()
    except UnicodeEncodeError:
        return Fault("named in bytes that are not UTF-8 text", "rename it and pack it anew")
    return None


def to_be_listed(path: bytes | str, start: bytes) -> bool:
    """Whether a file is to be read as an archive, or told as one that is not read: by its first bytes, or its name."""
    return kind_of(start) is not None or bool(unread(start)) or named_as_archive(path)
