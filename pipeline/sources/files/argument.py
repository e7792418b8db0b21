"""A file that a person names on the command line: a path, or the path of an archive and that of a member in it."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from contextlib import suppress
from io import BufferedReader
from pathlib import Path
from typing import BinaryIO, cast

from pipeline.errors import MachineError
from pipeline.model.content import Content, Location
from pipeline.model.manifest import ArchiveLimits
from pipeline.model.text import nearest, shown
from pipeline.sources.files.archive import ArchiveError, Member, named_as_archive, plain_path
from pipeline.sources.files.digest import digest
from pipeline.sources.files.kinds import BEGINNING, kind_of
from pipeline.sources.files.members import list_members
from pipeline.sources.files.problems import machine_error, open_file


def named(text: str, limits: ArchiveLimits) -> Location:
    """Return the location that "dumps/4t.bin" or "dumps/box-3.zip/moth/4t.bin" names.

    A file that is there under the whole path comes first. Raises MachineError when there is no such file or member,
    and when the archive is refused.
    """
    path = Path(text)
    if path.is_file():
        return Location(path=str(path))
    if path.exists():
        raise MachineError.one("is a folder or a device; expected a file", file=shown(path))
    archive = next((parent for parent in path.parents if parent.is_file() and _is_archive(parent)), None)
    if archive is None:
        raise MachineError.one("there is no such file", "correct the path", file=shown(path))
    return _member(archive, path.relative_to(archive).as_posix(), limits)


def content_named(location: Location) -> Content:
    """Return size, SHA-256 and CRC-32 of what lies at a location, always read anew.

    Raises MachineError when it cannot be read and CheckError when it changes meanwhile.
    """
    try:
        read = digest(location)
    except OSError as error:
        raise machine_error(str(location), error) from error
    except ArchiveError as error:
        raise MachineError.one(error.what, error.hint, file=shown(location.path)) from error
    return Content(sha256=read.sha256, size=read.size, crc32=read.crc32)


def members(archive: Path, limits: ArchiveLimits) -> Sequence[Member]:
    """Return the members of an archive that can be used; raises MachineError where it cannot be read or is refused."""
    try:
        with BufferedReader(open_file(str(archive))) as stream:
            listing = list_members(cast("BinaryIO", stream), archive.as_posix(), limits)
    except OSError as error:
        raise machine_error(archive, error) from error
    if listing.faults and not listing.members:
        raise MachineError.one(listing.faults[0].what, listing.faults[0].hint, file=shown(archive))
    return listing.members


def _is_archive(path: Path) -> bool:
    with suppress(OSError), open_file(str(path)) as stream:
        return named_as_archive(str(path)) or kind_of(stream.read(BEGINNING)) is not None
    return False


def _member(archive: Path, name: str, limits: ArchiveLimits) -> Location:
    by_name = {_composed(plain_path(member.name)): member.name for member in members(archive, limits)}
    found = by_name.get(_composed(name))
    if found is None:
        near = nearest(name, by_name) or min(by_name, default="")
        hint = f'did you mean "{shown(archive.as_posix())}/{shown(near)}"?' if near else ""
        raise MachineError.one(f"has no member {shown(name)!r} that can be used", hint, file=shown(archive))
    return Location(path=str(archive), member=found)


def _composed(name: str) -> str:
    return unicodedata.normalize("NFC", name)
