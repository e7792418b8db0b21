"""List the files of a folder or archive whose names count, because they become paths on a card."""

from __future__ import annotations

import os
import stat
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import CheckError, MachineError, ManifestError, Place, Problem
from pipeline.model.content import Location
from pipeline.model.manifest import ArchiveLimits
from pipeline.model.text import shown
from pipeline.sources.files.archive import list_archive, named_as_archive, plain_path
from pipeline.sources.files.problems import machine_error, open_file
from pipeline.sources.files.walk import kind, walk


@dataclass(frozen=True, slots=True)
class FileTree:
    """What a folder, archive or file holds: where each file lies, by its path with "/", sorted.

    ``empty_folders``: the folders that hold no file at any depth, sorted, each by its path, "" for the whole; of
    folders in each other the innermost. None of a single file.
    """

    files: dict[str, Location]
    empty_folders: tuple[str, ...] = ()


def list_tree(path: Path, limits: ArchiveLimits) -> FileTree:
    """Return the files of a folder or of a ``.zip`` archive, and its folders without files.

    Another file is listed alone, under its own name. Names of a folder are read as UTF-8 whatever the locale, and all
    are brought to the composed form (Unicode NFC), since some systems hand out the other one: the same tree gives the
    same paths on every machine.

    Raises ManifestError when nothing is there, or a name is not text, CheckError for an archive that is not to be
    used as a whole, and MachineError when something cannot be read.
    """
    try:
        mode = path.stat().st_mode
    except (FileNotFoundError, NotADirectoryError):
        what = "there is no such file, folder or archive"
        raise ManifestError([Problem(Place(file=shown(path)), what, "correct the path")]) from None
    except OSError as error:
        raise machine_error(path, error) from error
    if stat.S_ISDIR(mode):
        return _sorted_tree(path, *_in_folder(path))
    if not stat.S_ISREG(mode):
        what = f"is {kind(mode)}; expected a file, folder or archive"
        raise ManifestError([Problem(Place(file=shown(path)), what, "correct the path")])
    if named_as_archive(str(path)):
        return _sorted_tree(path, *_in_archive(path, limits))
    return FileTree({path.name: Location(path=str(path))})


def _sorted_tree(tree: Path, files: Iterable[tuple[str, Location]], folders: Iterable[str]) -> FileTree:
    """Return the files sorted by path in composed form; raises ManifestError where two become one."""
    listed: dict[str, Location] = {}
    for name, location in files:
        if listed.setdefault(unicodedata.normalize("NFC", name), location) is not location:
            what = f"two files have the same name once its accents are composed: {name!r}"
            raise ManifestError([Problem(Place(file=shown(tree)), what, "rename one of them")])
    holding = {folder for name in {name.rpartition("/")[0] for name in listed} for folder in _upwards(name)}
    empty = {"", *(unicodedata.normalize("NFC", folder) for folder in folders)} - holding
    around = {folder for name in empty if name for folder in _upwards(name.rpartition("/")[0])}
    return FileTree(dict(sorted(listed.items())), tuple(sorted(empty - around)))


def _upwards(path: str) -> Iterator[str]:
    """Yield a folder and every folder above it, "" last."""
    yield path
    while path:
        path = path.rpartition("/")[0]
        yield path


def _in_folder(folder: Path) -> tuple[list[tuple[str, Location]], list[str]]:
    """Return every file below a folder by its relative path, and every folder that was entered."""
    root, files, folders, problems = os.fsencode(folder), list[tuple[str, Location]](), list[str](), list[Problem]()
    separator = os.fsencode(os.sep)
    for visit in walk(root):
        if visit.problems:
            raise MachineError(visit.problems)
        for link in visit.links:
            what = "is a link to a folder; links are not followed, so its files would be missing"
            problems.append(Problem(Place(file=shown(link)), what, "put the folder itself here"))
        relative = visit.folder.removeprefix(root).replace(separator, b"/").lstrip(b"/")
        folders.append(relative.decode("utf-8", "replace"))
        start = len(visit.folder.rstrip(separator)) + 1
        above = relative + b"/" if relative else b""
        for path, _ in visit.files:
            try:
                files.append(((above + path[start:]).decode("utf-8"), Location(path=os.fsdecode(path))))
            except UnicodeDecodeError:
                problems.append(Problem(Place(file=shown(path)), "its name is not valid UTF-8 text", "rename it"))
    if problems:
        raise ManifestError(problems)
    return files, folders


def _in_archive(archive: Path, limits: ArchiveLimits) -> tuple[list[tuple[str, Location]], list[str]]:
    """Return every member of an archive by its name, and its folders; raises CheckError when one cannot be used."""
    try:
        with open_file(str(archive)) as stream:
            listing = list_archive(stream, limits)
    except OSError as error:
        raise machine_error(archive, error) from error
    if listing.faults:
        raise CheckError(Problem(Place(file=shown(archive)), fault.what, fault.hint) for fault in listing.faults)
    files = [(plain_path(m.name), Location(path=str(archive), member=m.name)) for m in listing.members]
    return files, [plain_path(name.rstrip("/")) for name in listing.folders]
