"""List the files of a folder or archive whose names count, because they become paths on a card."""

from __future__ import annotations

import os
import stat
import unicodedata
from collections.abc import Iterable, Iterator
from pathlib import Path

from pipeline.errors import CheckError, MachineError, ManifestError, Place, Problem
from pipeline.model.content import Location
from pipeline.model.manifest import ArchiveLimits
from pipeline.model.text import shown
from pipeline.sources.files.archive import list_archive, named_as_archive, plain_path
from pipeline.sources.files.problems import machine_error, open_file
from pipeline.sources.files.walk import kind, walk


def list_tree(path: Path, limits: ArchiveLimits) -> dict[str, Location]:
    """Return where each file of a folder or of a ``.zip`` archive lies, by its path below it with "/", sorted.

    Another file is listed alone, under its own name; folders without files are not (``list_empty_folders``). Names of
    a folder are read as UTF-8 whatever the locale, and all are brought to the composed form (Unicode NFC), since some
    systems hand out the other one: the same tree gives the same paths on every machine.

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
        return _by_path(path, _folder_files(path))
    if not stat.S_ISREG(mode):
        what = f"is {kind(mode)}; expected a file, folder or archive"
        raise ManifestError([Problem(Place(file=shown(path)), what, "correct the path")])
    if named_as_archive(str(path)):
        return _by_path(path, _archive_files(path, limits))
    return _by_path(path, [(path.name, Location(path=str(path)))])


def list_empty_folders(path: Path, limits: ArchiveLimits) -> tuple[str, ...]:
    """Return the folders of a folder or ``.zip`` archive that hold no file at any depth, sorted, in composed form.

    Each by its path below it with "/", "" for the folder or archive itself; of folders in each other the innermost.
    None of another file. Raises as ``list_tree``, which is asked first.
    """
    if path.is_dir():
        listed, files = _folders(path), {*_parents(list_tree(path, limits))}
    elif named_as_archive(str(path)):
        with open_file(str(path)) as stream:
            listing = list_archive(stream, limits)
        names = {unicodedata.normalize("NFC", plain_path(name.rstrip("/"))) for name in listing.folders}
        listed, files = {"", *names}, {*_parents(list_tree(path, limits))}
    else:
        return ()
    empty = listed - files
    return tuple(sorted(empty - {*_parents(empty)}))


def _parents(paths: Iterable[str]) -> Iterator[str]:
    """Yield every folder above some paths, "" above all."""
    for path in paths:
        while path:
            path = path.rpartition("/")[0]
            yield path


def _folders(folder: Path) -> set[str]:
    """Return every folder below a folder that is entered when its files are listed, and "" for itself."""
    root = os.fsencode(folder)
    names = (visit.folder.removeprefix(root).replace(os.fsencode(os.sep), b"/").lstrip(b"/") for visit in walk(root))
    return {unicodedata.normalize("NFC", name.decode("utf-8", "replace")) for name in names}


def _by_path(tree: Path, files: Iterable[tuple[str, Location]]) -> dict[str, Location]:
    """Return the files sorted by path in composed form; raises ManifestError where two become one."""
    listed: dict[str, Location] = {}
    for name, location in files:
        listed_first = listed.setdefault(unicodedata.normalize("NFC", name), location)
        if listed_first is not location:
            what = f"two files have the same name once its accents are composed: {name!r}"
            raise ManifestError([Problem(Place(file=shown(tree)), what, "rename one of them")])
    return dict(sorted(listed.items()))


def _folder_files(folder: Path) -> list[tuple[str, Location]]:
    """Return every file below a folder by its relative path."""
    root, files, problems = os.fsencode(folder), list[tuple[str, Location]](), list[Problem]()
    for visit in walk(root):
        if visit.problems:
            raise MachineError(visit.problems)
        for link in visit.links:
            what = "is a link to a folder; links are not followed, so its files would be missing"
            problems.append(Problem(Place(file=shown(link)), what, "put the folder itself here"))
        for path, _ in visit.files:
            name = path.removeprefix(root).replace(os.fsencode(os.sep), b"/").lstrip(b"/")
            try:
                files.append((name.decode("utf-8"), Location(path=os.fsdecode(path))))
            except UnicodeDecodeError:
                problems.append(Problem(Place(file=shown(path)), "its name is not valid UTF-8 text", "rename it"))
    if problems:
        raise ManifestError(problems)
    return files


def _archive_files(archive: Path, limits: ArchiveLimits) -> list[tuple[str, Location]]:
    """Return every member of an archive by its name; raises CheckError when one cannot be used."""
    try:
        with open_file(str(archive)) as stream:
            listing = list_archive(stream, limits)
    except OSError as error:
        raise machine_error(archive, error) from error
    if listing.faults:
        raise CheckError(Problem(Place(file=shown(archive)), fault.what, fault.hint) for fault in listing.faults)
    return [(plain_path(m.name), Location(path=str(archive), member=m.name)) for m in listing.members]
