"""List the usable members of a ZIP archive, and refuse what is hostile or cannot be read.

Where a name or the whole archive cannot be trusted, the archive is refused. Where only a member cannot be used
(encrypted, packed by another method, a link, suspiciously small or too large), only that member is left out.
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterable
from dataclasses import dataclass
from typing import BinaryIO

from pipeline.model.manifest import ArchiveLimits
from pipeline.model.units import show_size
from pipeline.sources.directory import STARTS, ArchiveError, Member, read_members

RATIO_FREE = 1 << 20
"""Members up to this many bytes may be packed by any ratio; they can do no harm."""
ENCRYPTED_FLAGS = 0x2041
"""Encrypted, strongly encrypted, directory encrypted (APPNOTE 4.4.4, bits 0, 6 and 13)."""
STORED, DEFLATED = 0, 8
"""The two methods of ISO/IEC 21320-1 (Document Container File); every other is rare and refused by name."""
METHODS = {1: "Shrink", 6: "Implode", 9: "Deflate64", 12: "BZIP2", 14: "LZMA", 93: "Zstandard", 95: "XZ", 98: "PPMd"}
"""Names of other methods (APPNOTE 4.4.5)."""


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong with an archive or some of its members, and what to do."""

    what: str
    hint: str


@dataclass(frozen=True, slots=True)
class Listing:
    """The files of an archive that can be used, in its own order, and what is wrong with the rest."""

    members: tuple[Member, ...] = ()
    faults: tuple[Fault, ...] = ()


def looks_like_archive(path: bytes | str, start: bytes) -> bool:
    """Whether a file is to be read as an archive: by its first bytes under any name, or by its name."""
    return start.startswith(STARTS) or named_as_archive(path)


def named_as_archive(path: bytes | str) -> bool:
    """Whether a file's name ends with ".zip"; "._NAME.zip" is what macOS leaves beside an archive, and is none."""
    name = os.fsdecode(path).replace(os.sep, "/").rpartition("/")[2]
    return name.lower().endswith(".zip") and not name.startswith("._")


def list_archive(stream: BinaryIO, limits: ArchiveLimits) -> Listing:
    """Return the members of an open archive; one that is refused has a single fault and no members.

    Only the directory is read. OSError is left to the caller.
    """
    try:
        members = tuple(read_members(stream, limits.entries))
        _refuse_hostile(members, limits)
    except ArchiveError as error:
        return Listing(faults=(Fault(error.what, error.hint),))
    files = [member for member in members if not member.is_folder]
    unusable: dict[Fault, list[Member]] = {}
    usable = []
    for member in files:
        fault = _member_fault(member, limits)
        if fault is None:
            usable.append(member)
        else:
            unusable.setdefault(fault, []).append(member)
    return Listing(tuple(usable), tuple(_summary(fault, some) for fault, some in unusable.items()))


def name_fault(name: str) -> str | None:
    """Return why a member's name must not be trusted, None if it may be.

    Source: APPNOTE 4.4.17.1 (no drive, no leading slash, forward slashes only); ISO/IEC 21320-1, 4.
    """
    if not plain_path(name) and not name.endswith("./"):
        return "is empty"
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


def _refuse_hostile(members: Iterable[Member], limits: ArchiveLimits) -> None:
    """Raise ArchiveError for the first reason not to trust an archive as a whole."""
    total, taken = 0, dict[str, Member]()
    for member in members:
        wrong = name_fault(member.name)
        if wrong:
            hint = "do not trust this archive; if you must, unpack it with care and use the folder"
            raise ArchiveError(f"is refused: the name {member.name!r} {wrong}", hint)
        folded = plain_path(member.name).casefold()
        if folded in taken:
            _refuse_collision(taken[folded], member)
        taken[folded] = member
        total += member.size
    if total > limits.total:
        what = f"is refused: it unpacks to {show_size(total)}; {show_size(limits.total)} is the limit"
        raise ArchiveError(what, "raise limits.total if this is right")


def _refuse_collision(one: Member, two: Member) -> None:
    """Raise ArchiveError for two members that are one when case is ignored; a folder may be listed twice."""
    if one.name != two.name:
        what = f"the names {one.name!r} and {two.name!r} are the same when case is ignored"
    elif not one.is_folder:
        what = f"two members are named {one.name!r}"
    else:
        return
    raise ArchiveError(f"is refused: {what}", "unpack it, rename one of them and pack it anew")


def _member_fault(member: Member, limits: ArchiveLimits) -> Fault | None:
    """Return why a member cannot be used, None if it can; ``what`` continues "N members ..."."""
    kind = stat.S_IFMT(member.mode)
    if kind not in (0, stat.S_IFREG, stat.S_IFDIR):
        link = kind == stat.S_IFLNK
        return Fault("a link to another file" if link else "a device or pipe", "put the file itself into the archive")
    if member.flags & ENCRYPTED_FLAGS:
        return Fault("encrypted", "unpack it with its password into a folder and use the folder")
    if member.method not in (STORED, DEFLATED):
        method = METHODS.get(member.method, "unknown")
        what = f"packed by method {member.method} ({method}), which is not supported"
        return Fault(what, 'pack it anew with "deflate", or unpack it into a folder')
    if member.size > limits.member:
        return Fault(f"larger than {show_size(limits.member)}, the limit", "raise limits.member if this is right")
    if member.size > RATIO_FREE and member.size > member.packed * limits.ratio:
        what = f"packed smaller than 1:{limits.ratio}, the limit"
        return Fault(what, "unpack it into a folder, or raise limits.ratio")
    return None


def _summary(fault: Fault, members: list[Member]) -> Fault:
    """Return one line for all members with the same fault, naming the first of them."""
    first = members[0].name
    if len(members) == 1:
        return Fault(f"the member {first!r} is {fault.what}; it is not used", fault.hint)
    return Fault(f"{len(members):,} members are {fault.what}; they are not used, the first is {first!r}", fault.hint)
