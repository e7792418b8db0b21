"""The manifests of a folder of inputs: which files they are, and their text as TOML values."""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from stat import S_ISREG
from typing import Any

import tomli

from pipeline.errors import Place, Problem

FOLDERS: Mapping[str, str] = {
    "board": "boards",
    "core": "cores",
    "title": "titles",
    "card": "cards",
    "station": "stations",
}
"""The folder each kind of manifest lies in."""

SOURCES = ("sources.local.toml", "sources.toml")
"""Where to look for source files; the user's own places come first."""

LARGEST = 4 << 20
"""Bytes of a manifest; more is no manifest but a mistake."""

DEEPEST = 24
"""Tables and lists within each other; no manifest needs as many."""

ID = re.compile("[a-z0-9]+(-[a-z0-9]+)*")
DEVICE = re.compile("con|prn|aux|nul|(com|lpt)[0-9]")
UNQUOTED = re.compile(r"=\s*[0-9A-Za-z_]+\s*(#.*)?$")
HINTS = {
    "Illegal character '\\n'": "close the quotes on the line they begin on",
    "Expected '='": 'a line is: name = "value"',
    "Cannot overwrite": "the key stands twice: take one of them out",
    "Cannot declare": "the head stands twice: take one of them out, or write [[...]] for a list",
    "Invalid value": "after the = a value is expected, and after the last value of a list its closing bracket",
}
"""What to do, by a part of the parser's message."""

WHERE = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")


@dataclass(frozen=True, slots=True, kw_only=True)
class ManifestFile:
    """One file to read. ``id``: its name without ".toml", "" for sources. ``file``: the name that messages show."""

    kind: str
    id: str
    file: str
    path: Path


def shown(path: Path, base: Path) -> str:
    """Return a path as messages show it: from ``base`` on when it lies below, with "/" between its parts."""
    return (path.relative_to(base) if path.is_relative_to(base) else path).as_posix()


def manifest_files(root: Path, base: Path) -> tuple[list[ManifestFile], list[Problem]]:
    """Return the manifests below the folder of inputs, by kind and name, and what stands in their folders unfit."""
    files: list[ManifestFile] = []
    problems: list[Problem] = []
    for kind, folder in FOLDERS.items():
        place = root / folder
        before = shown(place / "x", base).removesuffix("x")
        entries = _listed(place)
        for name in _manifests(entries):
            id_, _, suffix = name.rpartition(".")
            path = place / name
            if not ID.fullmatch(id_) or DEVICE.fullmatch(id_) or suffix != "toml":
                problems.append(_bad_name(before + name, path))
            files.append(ManifestFile(kind=kind, id=id_, file=before + name, path=path))
        problems += _unread(entries, folder, before)
    present = [root / name for name in SOURCES if os.path.lexists(root / name)]
    files += (ManifestFile(kind="sources", id="", file=shown(path, base), path=path) for path in present)
    return files, problems


def read(file: ManifestFile) -> bytes | Problem:
    """Return what a manifest holds, or why it cannot be read."""
    try:
        state = file.path.stat()
        if not S_ISREG(state.st_mode):
            return _no_file(file)
        if state.st_size > LARGEST:
            what = f"found {state.st_size:,} bytes, expected a manifest of at most {LARGEST:,}"
            return Problem(Place(file.file), what)
        return file.path.read_bytes()
    except FileNotFoundError:
        return _no_file(file)
    except OSError as error:
        return Problem(Place(file.file), f"cannot be read: {error.strerror}", "check the file's permissions")


def parse(data: bytes, file: str) -> tuple[str, dict[str, Any]] | Problem:
    """Return a manifest's text and its TOML values, or the one thing that is wrong with its text."""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line, column = data.count(b"\n", 0, error.start) + 1, error.start - data.rfind(b"\n", 0, error.start)
        what = f"found the byte 0x{data[error.start]:02X}, expected UTF-8 text"
        return Problem(Place(file, line, column), what, "save the file as UTF-8")
    try:
        values = toml_values(text)
    except RecursionError:
        return _too_deep(file)
    except ValueError as error:
        return _broken(text, str(error), file)
    return _too_deep(file) if _is_deep(values) else (text, values)


def toml_values(text: str) -> dict[str, Any]:
    """Return the values of a TOML text; raises TOMLDecodeError, ValueError or RecursionError when it is none.

    tomli says the same as the standard library in a third of the time; what is refused is said by the latter.
    """
    with suppress(ValueError, RecursionError):
        return tomli.loads(text)
    return tomllib.loads(text)


def _no_file(file: ManifestFile) -> Problem:
    return Problem(Place(file.file), "found no file, expected a manifest", "take it out of the folder")


def _listed(folder: Path) -> list[os.DirEntry[str]]:
    """Return what a folder holds, in no order; nothing when it is none."""
    if not folder.is_dir():
        return []
    with os.scandir(folder) as entries:
        return list(entries)


def _manifests(entries: Iterable[os.DirEntry[str]]) -> list[str]:
    """Return the names of the manifests in a folder, by id; hidden files are an editor's or the system's own."""
    names = (entry.name for entry in entries if not entry.name.startswith("."))
    return sorted((name for name in names if name.lower().endswith(".toml")), key=lambda name: name.rpartition("."))


def _unread(entries: Iterable[os.DirEntry[str]], name: str, before: str) -> Iterator[Problem]:
    """Yield the folders in a folder of manifests that hold manifests nobody reads."""
    for entry in entries:
        if not entry.is_file(follow_symlinks=False) and _manifests(_listed(Path(entry.path))):
            what = f"found manifests in a folder of its own, expected them in {name}/"
            yield Problem(Place(before + entry.name), what, f"move them to {name}/; tags can group them")


def _bad_name(file: str, path: Path) -> Problem:
    better = "-".join(re.findall("[a-z0-9]+", path.stem.lower())) or "name"
    if DEVICE.fullmatch(better):
        better += "-1"
    what = f'found the file name "{path.name}", expected lower-case words with hyphens such as "moth-patrol.toml"'
    if DEVICE.fullmatch(path.stem):
        what = f'found the file name "{path.name}", which some systems keep for a device'
    return Problem(Place(file), what, f'rename it to "{better}.toml"')


def _broken(text: str, message: str, file: str) -> Problem:
    """Return the problem of a text that is no TOML, with the position the parser names."""
    match = WHERE.search(message)
    lines = text.replace("\r\n", "\n").split("\n")
    line, column = len(lines), len(lines[-1]) + 1
    if match and match[1]:
        line, column = int(match[1]), int(match[2])
    what = message[: match.start()] if match else message
    hint = next((hint for part, hint in HINTS.items() if part in what), "")
    if UNQUOTED.search(lines[line - 1]):
        hint = 'text and hashes need quotes: name = "..."'
    return Problem(Place(file, line, column), f"found broken TOML: {what[:1].lower()}{what[1:]}", hint)


def _is_deep(values: Any, room: int = DEEPEST - 1) -> bool:
    """Whether a table or list holds something deeper than ``room`` tables and lists below it."""
    if not room:
        return bool(values)
    for inner in values.values() if type(values) is dict else values:
        if (type(inner) is dict or type(inner) is list) and _is_deep(inner, room - 1):
            return True
    return False


def _too_deep(file: str) -> Problem:
    what = f"found tables and lists more than {DEEPEST} deep within each other, expected fewer"
    return Problem(Place(file), what, "use several steps in place of one")
