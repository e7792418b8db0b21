"""Walk a place: every file below it with its stat, folder by folder."""

from __future__ import annotations

import errno
import os
import stat
import sys
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from functools import cache
from operator import attrgetter
from pathlib import Path

from pipeline.errors import Place, Problem
from pipeline.model.text import shown
from pipeline.sources.files.problems import unreadable

MOUNTS = Path("/proc/self/mountinfo")
"""Where Linux lists what is mounted; missing on other systems."""

PSEUDO_FILE_SYSTEMS = frozenset(
    {
        "autofs", "binder", "binfmt_misc", "bpf", "cgroup", "cgroup2", "configfs", "debugfs", "devpts", "devtmpfs",
        "efivarfs", "fusectl", "hugetlbfs", "mqueue", "nfsd", "nsfs", "proc", "pstore", "rpc_pipefs", "securityfs",
        "selinuxfs", "smackfs", "sysfs", "tracefs",
    }
)  # fmt: skip
"""File systems of Linux that hold no stored files: the kernel makes up what is read there, without end in places.

Source: the kernel's documentation, "Filesystems in the Linux kernel", and proc(5), sysfs(5), cgroups(7).
"""


@dataclass(frozen=True, slots=True)
class Visit:
    """What one folder holds: files, links to folders (not followed), and what could not be read.

    ``folder``: its path, empty where a file was the place.

    Paths are bytes as the operating system spells them (UTF-8 on Windows), so that a name that is not text is still
    a name.
    """

    files: list[tuple[bytes, os.stat_result]] = field(default_factory=list)
    links: list[bytes] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    folder: bytes = b""


def walk(place: bytes, without: Collection[bytes] = ()) -> Iterator[Visit]:
    """Yield a visit for every folder at and below a place, in sorted order; a file as place is a visit of its own.

    Links to files are files; links to folders and to nothing are not followed; devices, pipes and sockets are no
    files, and not opened. Pseudo file systems and the folders ``without`` are not entered. A place that is missing,
    or none of file and folder, is a problem; anything below it that is gone since was never there.
    """
    try:
        found = os.stat(place)  # noqa: PTH116  # bytes, which Path has not
    except (FileNotFoundError, NotADirectoryError):
        hint = "correct the place, or plug in the drive it is on"
        yield Visit(problems=[Problem(Place(file=shown(place)), "this place does not exist", hint)])
        return
    except OSError as error:
        yield Visit(problems=[unreadable(place, error)])
        return
    if stat.S_ISREG(found.st_mode):
        yield Visit([(place, found)])
    elif not stat.S_ISDIR(found.st_mode):
        hint = "name a folder, an archive or a file"
        yield Visit(problems=[Problem(Place(file=shown(place)), f"is {kind(found.st_mode)}; it is not searched", hint)])
    elif found.st_dev in _pseudo_devices():
        hint = "name a folder in which files are stored"
        what = "is on a pseudo file system of the kernel; it is not searched"
        yield Visit(problems=[Problem(Place(file=shown(place)), what, hint)])
    else:
        yield from _walk(place, without)


def kind(mode: int) -> str:
    """Return what something is that is neither file nor folder, with its article."""
    kinds = {stat.S_IFIFO: "a pipe (FIFO)", stat.S_IFSOCK: "a socket", stat.S_IFCHR: "a character device"}
    return kinds.get(stat.S_IFMT(mode), "a block device" if stat.S_ISBLK(mode) else "no file")


def _walk(place: bytes, without: Collection[bytes]) -> Iterator[Visit]:
    waiting = [place]
    while waiting:
        visit, folders = _visit(waiting.pop())
        waiting += [folder for folder in reversed(folders) if folder not in without]
        yield visit


def _visit(folder: bytes) -> tuple[Visit, list[bytes]]:
    """Return what a folder holds and, sorted, the folders directly below it."""
    visit, folders = Visit(folder=folder), list[bytes]()
    try:
        with os.scandir(folder) as listing:
            entries = sorted(listing, key=attrgetter("name"))
    except (FileNotFoundError, NotADirectoryError):
        return visit, folders
    except OSError as error:
        visit.problems.append(unreadable(folder, error))
        return visit, folders
    for entry in entries:
        try:
            _sort_in(entry, visit, folders)
        except FileNotFoundError:
            continue
        except OSError as error:
            visit.problems.append(_circle(entry.path) if error.errno == errno.ELOOP else unreadable(entry.path, error))
    return visit, folders


def _sort_in(entry: os.DirEntry[bytes], visit: Visit, folders: list[bytes]) -> None:
    """Add an entry of a folder to its files, its links or its folders, or to none of them."""
    is_folder, pseudo = entry.is_dir(follow_symlinks=False), _pseudo_devices()
    if is_folder and not (pseudo and entry.stat(follow_symlinks=False).st_dev in pseudo):
        (visit.links if _is_junction(entry) else folders).append(entry.path)
    if is_folder:
        return
    found = entry.stat()
    if stat.S_ISDIR(found.st_mode):
        visit.links.append(entry.path)
    elif stat.S_ISREG(found.st_mode) and found.st_dev not in pseudo:
        visit.files.append((entry.path, found))


def _circle(path: bytes) -> Problem:
    return Problem(Place(file=shown(path)), "is a link that leads back to itself", "remove the link")


@cache
def _pseudo_devices() -> frozenset[int]:
    """Return the device numbers of the pseudo file systems that are mounted; none where the system lists no mounts.

    Source: proc(5), /proc/pid/mountinfo: the third field is major:minor, the one after "-" the kind of file system.
    """
    if sys.platform == "win32":
        return frozenset()
    try:
        lines = MOUNTS.read_bytes().splitlines()
    except OSError:
        return frozenset()
    devices = set[int]()
    for line in lines:
        fields = line.split()
        if fields[fields.index(b"-") + 1].decode("ascii", "replace") in PSEUDO_FILE_SYSTEMS:
            devices.add(os.makedev(*map(int, fields[2].split(b":"))))
    return frozenset(devices)


def _is_junction(entry: os.DirEntry[bytes]) -> bool:
    """Whether a Windows folder is a mount point or junction, which may lead back to where we came from."""
    if os.name != "nt":
        return False
    tag: int = getattr(entry.stat(follow_symlinks=False), "st_reparse_tag", 0)
    return tag == getattr(stat, "IO_REPARSE_TAG_MOUNT_POINT", -1)
