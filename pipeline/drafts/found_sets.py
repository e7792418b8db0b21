"""The sets of dumps in a folder: each of its sub-folders and archives; hostile until read."""

from __future__ import annotations

import os
import re
import stat
import unicodedata
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.drafts.source_files import HIDDEN, SourceFile
from pipeline.errors import ManifestError, Problem
from pipeline.manifest.files import DEVICE
from pipeline.model.content import Content, Location
from pipeline.model.manifest import Sources
from pipeline.model.text import shown
from pipeline.sets.match import Dump
from pipeline.sources.files.archive import named_as_archive, plain_path
from pipeline.sources.files.problems import machine_error
from pipeline.sources.files.walk import kind
from pipeline.workspace.progress import counting
from pipeline.workspace.workspace import Workspace

LONGEST_ID = 64
"""Characters of the id that a title is given from the name of its set."""
ENDINGS = re.compile(r"(\.(zip|tar|tgz|tbz2?|txz|gz|bz2|xz))+$", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundSet:
    """A sub-folder or archive, by the name it has there.

    ``dumps``: its files as they are matched; ``texts``: those that are no dumps, by their names. ``faults``: what is
    wrong with it or with anything in it; such a set is not used.
    """

    entry: str
    dumps: Mapping[Dump, SourceFile]
    texts: tuple[SourceFile, ...] = ()
    faults: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """Its name as a person reads it: without the ending of an archive, and what cannot be shown on a line."""
        plain = "".join(sign if sign.isprintable() else " " for sign in ENDINGS.sub("", self.entry))
        return " ".join(plain.split())

    @property
    def id(self) -> str:
        """The id that its title has, "" where its name has no letter or digit that can be part of one."""
        plain = unicodedata.normalize("NFKD", self.name).encode("ascii", "ignore").decode().lower()
        id_ = "-".join(re.findall("[a-z0-9]+", plain))[:LONGEST_ID].rstrip("-")
        return f"{id_}-1" if DEVICE.fullmatch(id_) else id_


def found_sets(workspace: Workspace, argument: str, known: Sources) -> tuple[list[FoundSet], list[str]]:
    """Return the sets of a folder, by id, and the names of files directly in it, which are in no set.

    Each file is hashed once, and remembered where the folder lies in a place. Raises ManifestError where it is no
    folder or holds no set, and MachineError where it cannot be read.
    """
    folder = Path(argument).expanduser()
    entries, start = _entries(folder, argument), os.path.join(folder.absolute(), "")  # noqa: PTH118
    index = workspace.index
    with counting("searching the sets", "files") as advance:
        places = [*map(Path, known.places), folder]
        problems = index.scan(places, known.limits, advance, without=[workspace.build]).problems
    with counting("hashing the sets", "B") as advance:
        hashed = index.files_below(folder, lambda place: not HIDDEN.search(_path(start, place)), advance)
    files = defaultdict[str, dict[str, tuple[Location, Content | str]]](dict)
    for location, found in hashed:
        entry, _, path = _path(start, location).partition("/")
        files[entry][path] = location, found
    faults = _faults(folder, problems)
    sets, loose = list[FoundSet](), list[str]()
    for name, mode in entries:
        held = {path: found for path, found in files[name].items() if path}
        if stat.S_ISREG(mode) and not held and name not in faults and not named_as_archive(name):
            loose.append(name)
        else:
            sets.append(_set(str(folder), name, held, faults[name] or list(_not_a_set(mode, held))))
    if not sets:
        hint = "put the dumps of each title into a folder or an archive of its own"
        raise ManifestError.one("holds no folder and no archive of dumps", hint, file=argument)
    return sorted(sets, key=lambda one: (one.id, one.entry)), loose


def _entries(folder: Path, argument: str) -> list[tuple[str, int]]:
    """Return the entries of a folder that are not hidden, sorted, each with its mode; links are not followed."""
    if not argument or not folder.is_dir():
        what = "is not a folder; expected one that holds a folder or archive for each title"
        raise ManifestError.one(what if argument and folder.exists() else "there is no such folder", file=argument)
    try:
        with os.scandir(folder) as entries:
            found = [(entry.name, _mode(entry)) for entry in entries if not HIDDEN.search(f"{entry.name}/")]
    except OSError as error:
        raise machine_error(folder, error) from error
    return sorted(found)


def _mode(entry: os.DirEntry[str]) -> int:
    """Return an entry's mode; a link to a file counts as the file."""
    mode = entry.stat(follow_symlinks=False).st_mode
    return entry.stat().st_mode if stat.S_ISLNK(mode) and entry.is_file() else mode


def _path(start: str, location: Location) -> str:
    """Return the path of a file below a folder that ends with "/", members of archives as if they were folders."""
    path = location.path[len(start) :].replace(os.sep, "/")
    return path if location.member is None else f"{path}/{plain_path(location.member)}"


def _faults(folder: Path, problems: Iterable[Problem]) -> defaultdict[str, list[str]]:
    """Return what a scan found wrong, by the entry of the folder in which it is."""
    faults, start = defaultdict[str, list[str]](list), f"{shown(str(folder.absolute()))}/"
    for problem in problems:
        if problem.place.file.startswith(start):
            entry, _, inside = problem.place.file.removeprefix(start).partition("/")
            faults[entry].append(f"{inside}: {problem.what}" if inside else problem.what)
    return faults


def _not_a_set(mode: int, held: Iterable[str]) -> Iterator[str]:
    if stat.S_ISLNK(mode):
        yield "is a link, which is not followed"
    elif not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)):
        yield f"is {kind(mode)}"
    elif not held:
        yield "holds no file"


def _set(folder: str, name: str, held: dict[str, tuple[Location, Content | str]], wrong: Sequence[str]) -> FoundSet:
    """Return one set; an archive in it counts by what it holds."""
    dumps, texts, faults = dict[Dump, SourceFile](), list[SourceFile](), list(wrong)
    folders, start = _folders(held), f"{folder.rstrip('/')}/{name}/"
    for path, (location, found) in held.items():
        if path in folders:
            continue
        if isinstance(found, str):
            faults.append(f"{path}: {found}")
            continue
        file = SourceFile(path=path, argument=start + path, location=location, content=found)
        if file.is_read_me or file.is_licence:
            texts.append(file)
        else:
            dumps[Dump(path=path, size=found.size or 0, sha256=found.sha256)] = file
    return FoundSet(entry=name, dumps=dumps, texts=tuple(texts), faults=tuple(faults))


def _folders(paths: Iterable[str]) -> set[str]:
    """Return every folder of some paths, archives among them."""
    folders = set[str]()
    for path in paths:
        above = path.rpartition("/")[0]
        while above and above not in folders:
            folders.add(above)
            above = above.rpartition("/")[0]
    return folders
