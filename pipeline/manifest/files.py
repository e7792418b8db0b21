"""The manifests of a folder of inputs: which files they are, and what else lies where manifests are expected."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import Place, Problem
from pipeline.model.text import nearest, quote, quoted, shown

FOLDERS: Mapping[str, str] = {
    "board": "boards",
    "core": "cores",
    "title": "titles",
    "card": "cards",
    "station": "stations",
}
"""The folder each kind of manifest lies in."""

KINDS = (*FOLDERS, "sources")
"""Each kind of manifest."""

SOURCES = ("sources.local.toml", "sources.toml")
"""Where to look for source files; the user's own places come first."""

ID = re.compile("[a-z0-9]+(-[a-z0-9]+)*")
DEVICE = re.compile("con|prn|aux|nul|(com|lpt)[0-9]")

EXAMPLE = 'lower-case words with hyphens such as "moth-pantry.toml"'


@dataclass(frozen=True, slots=True, kw_only=True)
class ManifestFile:
    """One file to read. ``id``: its name without ".toml", "" for sources. ``file``: the name that messages show.

    ``where``: its path as text, which of thousands of manifests takes a fifth of the memory.
    """

    kind: str
    id: str
    file: str
    where: str

    @property
    def path(self) -> Path:
        """Where it lies."""
        return Path(self.where)


def path_from(path: Path, base: Path) -> str:
    """Return a path as messages show it: from ``base`` on when it lies below, with "/" between its parts."""
    return shown((path.relative_to(base) if path.is_relative_to(base) else path).as_posix())


def is_id(text: str) -> bool:
    """Whether a text can be the id of a manifest, and so its file name on any system."""
    return ID.fullmatch(text) is not None and DEVICE.fullmatch(text) is None


def manifest_ids(folder: Path) -> list[str]:
    """Return the ids of the manifests in a folder, sorted; none when it is not there or cannot be read."""
    try:
        names = [name for name, _ in _entries(folder)]
    except OSError:
        return []
    return sorted(id_ for name in names if name.endswith(".toml") and is_id(id_ := name.removesuffix(".toml")))


def manifest_files(root: Path, base: Path) -> tuple[list[ManifestFile], list[Problem]]:
    """Return the manifests below the folder of inputs, by kind and name, and what in their folders is none.

    Hidden files, and files whose names end in "~", are an editor's or the system's own, and are passed over.
    Problems name files relative to ``base`` where they lie below it.
    """
    files: list[ManifestFile] = []
    problems: list[Problem] = []
    try:
        entries = _entries(root)
    except (FileNotFoundError, NotADirectoryError):
        return [], [Problem(Place(path_from(root, base)), "found no such folder, expected the folder of inputs")]
    except OSError as error:
        return [], [_unreadable(path_from(root, base), error)]
    for kind, folder in FOLDERS.items():
        if folder not in (name for name, _ in entries):
            continue
        try:
            found, strange = _in_folder(kind, root / folder, base)
            files += found
            problems += strange
        except NotADirectoryError:
            hint = f"make a folder {folder}/ for the manifests of {folder}"
            problems.append(Problem(Place(path_from(root / folder, base)), "found a file, expected a folder", hint))
        except OSError as error:
            problems.append(_unreadable(path_from(root / folder, base), error))
    files += (
        ManifestFile(kind="sources", id="", file=path_from(root / name, base), where=str(root / name))
        for name in SOURCES
        if name in (name for name, _ in entries)
    )
    problems += _beside(root, entries, base)
    return files, problems


def _entries(folder: Path) -> list[tuple[str, bool]]:
    """Return name and whether it is a folder of each entry that counts, sorted; raises OSError."""
    with os.scandir(folder) as entries:
        counting = [entry for entry in entries if not entry.name.startswith(".") and not entry.name.endswith("~")]
        return sorted((entry.name, _is_folder(entry)) for entry in counting)


def _is_folder(entry: os.DirEntry[str]) -> bool:
    try:
        return entry.is_dir()
    except OSError:  # a loop of links
        return False


def _in_folder(kind: str, folder: Path, base: Path) -> tuple[list[ManifestFile], list[Problem]]:
    files: list[ManifestFile] = []
    problems: list[Problem] = []
    above, shown_above = str(folder / "x")[:-1], path_from(folder / "x", base)[:-1]
    for name, is_folder in sorted(_entries(folder), key=lambda entry: entry[0].rpartition(".")):
        file = shown_above + shown(name)
        id_, _, suffix = name.rpartition(".")
        if suffix.lower() == "toml":
            if not is_id(id_) or suffix != "toml":
                problems.append(_bad_name(file, name))
            files.append(ManifestFile(kind=kind, id=id_, file=file, where=above + name))
        elif is_folder and _holds_manifests(folder / name):
            what = f"found manifests in a folder of its own, expected them in {folder.name}/"
            problems.append(Problem(Place(file), what, f"move them to {folder.name}/; tags can group them"))
        elif not is_folder:
            problems.append(_no_manifest(file, name, folder.name))
    return files, problems


def _holds_manifests(folder: Path) -> bool:
    try:
        return any(name.lower().endswith(".toml") for name, _ in _entries(folder))
    except OSError:
        return False  # nothing can be said of it


def _beside(root: Path, entries: list[tuple[str, bool]], base: Path) -> Iterator[Problem]:
    """Yield what lies beside the folders of manifests and looks like one of them, or like a manifest."""
    for name, is_folder in entries:
        place = Place(path_from(root / name, base))
        if is_folder and name not in FOLDERS.values():
            meant = FOLDERS.get(name.lower()) or nearest(name, FOLDERS.values(), 0.8)
            if meant and _holds_manifests(root / name):
                what = f"found manifests in {shown(name)}/, expected them in {meant}/"
                yield Problem(place, what, f"rename the folder to {meant}, or move them to {meant}/")
        elif name.lower().endswith(".toml") and name not in SOURCES:
            meant = nearest(name, SOURCES)
            folders = quoted([f"{folder}/" for folder in FOLDERS.values()]).replace('"', "")
            what = f"found {quote(name)} beside the folders of manifests, where nothing reads it"
            yield Problem(place, what, f'did you mean "{meant}"?' if meant else f"move it to {folders}")


def _bad_name(file: str, name: str) -> Problem:
    stem = name.rpartition(".")[0]
    better = "-".join(re.findall("[a-z0-9]+", stem.lower())) or "name"
    if DEVICE.fullmatch(better):
        better += "-1"
    what = f"found the file name {quote(name)}, expected {EXAMPLE}"
    if DEVICE.fullmatch(stem):
        what = f"found the file name {quote(name)}, which some systems keep for a device"
    return Problem(Place(file), what, f'rename it to "{better}.toml"')


def _no_manifest(file: str, name: str, folder: str) -> Problem:
    stem = name.partition(".")[0]
    better = "-".join(re.findall("[a-z0-9]+", stem.lower())) or "name"
    hint = f'if it is a manifest, rename it to "{better}.toml"; if not, move it out of {folder}/'
    return Problem(Place(file), f"found the file name {quote(name)}, expected a manifest: {EXAMPLE}", hint)


def _unreadable(file: str, error: OSError) -> Problem:
    return Problem(Place(file), f"cannot be read: {error.strerror}", "check the folder's permissions")
