"""Walk a place: every file below it with its stat, folder by folder."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass, field
from operator import attrgetter
from pathlib import Path

from pipeline.errors import Place, Problem
from pipeline.sources.files.problems import shown, unreadable


@dataclass(frozen=True, slots=True)
class Visit:
    """What one folder holds: files, links to folders (not followed), and what could not be read.

    Paths are bytes as the operating system spells them (UTF-8 on Windows), so that a name that is no text is still
    a name.
    """

    files: list[tuple[bytes, os.stat_result]] = field(default_factory=list)
    links: list[bytes] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)


def walk(place: bytes) -> Iterator[Visit]:
    """Yield a visit for every folder at and below a place, in sorted order; a file as place is a visit of its own.

    Links to files are files; links to folders and to nothing are not followed; devices, pipes and sockets are no
    files. A place that is missing is a problem, anything below it that is gone since was never there.
    """
    try:
        found = Path(os.fsdecode(place)).stat()
    except (FileNotFoundError, NotADirectoryError):
        hint = "correct the place, or plug in the drive it is on"
        yield Visit(problems=[Problem(Place(file=shown(place)), "this place does not exist", hint)])
        return
    except OSError as error:
        yield Visit(problems=[unreadable(place, error)])
        return
    if not stat.S_ISDIR(found.st_mode):
        yield Visit([(place, found)]) if stat.S_ISREG(found.st_mode) else Visit()
        return
    waiting = [place]
    while waiting:
        visit, folders = _visit(waiting.pop())
        waiting += reversed(folders)
        yield visit


def _visit(folder: bytes) -> tuple[Visit, list[bytes]]:
    """Return what a folder holds and, sorted, the folders directly below it."""
    visit, folders = Visit(), list[bytes]()
    try:
        with os.scandir(folder) as listing:
            entries = sorted(listing, key=attrgetter("name"))
    except OSError as error:
        visit.problems.append(unreadable(folder, error))
        return visit, folders
    for entry in entries:
        try:
            if entry.is_dir(follow_symlinks=False):
                (visit.links if _is_junction(entry) else folders).append(entry.path)
                continue
            found = entry.stat()
        except FileNotFoundError:
            continue
        except OSError as error:
            visit.problems.append(unreadable(entry.path, error))
            continue
        if stat.S_ISREG(found.st_mode):
            visit.files.append((entry.path, found))
        elif stat.S_ISDIR(found.st_mode):
            visit.links.append(entry.path)
    return visit, folders


def _is_junction(entry: os.DirEntry[bytes]) -> bool:
    """Whether a Windows folder is a mount point or junction, which may lead back to where we came from."""
    if os.name != "nt":
        return False
    tag: int = getattr(entry.stat(follow_symlinks=False), "st_reparse_tag", 0)
    return tag == getattr(stat, "IO_REPARSE_TAG_MOUNT_POINT", -1)
