"""The files, folders and archives below the inputs that manifests name: they exist, and lie where they seem to."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from pipeline.errors import ManifestError, Place, Problem
from pipeline.manifest.checks.self_checks import tables, texts
from pipeline.manifest.checks.sums import parse_sums
from pipeline.manifest.schema.formats import UnfitError, check_path
from pipeline.manifest.text.parsed import ParsedManifest
from pipeline.model.text import nearest, quote, shown

LARGEST_LIST = 64 << 20
"""Bytes of a checksum list; a line a file, and no card holds as many."""


def path_problems(root: Path, examined: Sequence[ParsedManifest], shown: Callable[[Path], str]) -> list[Problem]:
    """Return what is wrong with the paths, and with the checksum lists they lead to; not yet located."""
    problems: list[Problem] = []
    lists: set[Path] = set()
    for manifest in examined:
        for place, text, is_list in _named(manifest):
            path = root / text
            problem = _unfit(root, path, text, place, is_list)
            if problem:
                problems.append(problem)
            elif is_list:
                lists.add(path)
    for path in sorted(lists):
        problems += _in_list(path, shown(path))
    return problems


def _named(manifest: ParsedManifest) -> Iterator[tuple[Place, str, bool]]:
    """Yield each path below the inputs with its place, and whether it is that of a checksum list."""
    data = manifest.data or {}
    found = list(texts(data, "base")) if manifest.kind == "board" else []
    for group, key in (("files", "from"), ("sums", "list")):
        for index, table in tables(data.get(group)):
            found += [(f"{group}.{index + 1}.{name}", text) for name, text in texts(table, key)]
    for key, text in found:
        try:
            check_path(text)
        except UnfitError:
            continue  # told by its format
        yield Place(manifest.file, key=key), text, key.endswith(".list")


def _unfit(root: Path, path: Path, text: str, place: Place, is_list: bool) -> Problem | None:
    try:
        if path.is_symlink() and not path.exists():
            return Problem(
                place, f"found {quote(text)}, a symbolic link that leads nowhere", "put the file itself there"
            )
        if not path.exists():
            return Problem(place, f"found no {quote(text)} in the folder of inputs", _similar(root, text))
        if not path.resolve().is_relative_to(root.resolve()):
            what = f"found {quote(text)}, which leads out of the folder of inputs by a symbolic link"
            return Problem(place, what, "copy it in, or look for its content in a source")
        if is_list and not path.is_file():
            return Problem(place, f"found {quote(text)}, which is not a file, expected a checksum list")
        if not path.is_file() and not path.is_dir():
            what = f"found {quote(text)}, which is a pipe, socket or device, expected a file or a folder"
            return Problem(place, what, "put the file itself there")
        if is_list and path.stat().st_size > LARGEST_LIST:
            what = f"found {quote(text)} of {path.stat().st_size:,} bytes, expected a list of at most {LARGEST_LIST:,}"
            return Problem(place, what)
    except OSError as error:
        return Problem(place, f"found {quote(text)}, which cannot be looked at: {error.strerror}", "check the path")
    return None


def _similar(root: Path, text: str) -> str:
    """Return a hint for a path that leads nowhere: where it begins to, and what lies there under a similar name."""
    folder, parts = root, text.split("/")
    while (folder / parts[0]).is_dir():
        folder /= parts.pop(0)
    near = nearest(parts[0], sorted(entry.name for entry in folder.iterdir()))
    if near:
        return f'did you mean "{shown("/".join([*folder.relative_to(root).parts, near, *parts[1:]]))}"?'
    return f'there is no folder "{shown(parts[0])}"' if len(parts) > 1 else "copy it there, or correct the path"


def _in_list(path: Path, file: str) -> tuple[Problem, ...]:
    """Return what is wrong with the lines of a checksum list."""
    try:
        parse_sums(path.read_bytes().decode(), file)
    except UnicodeDecodeError as error:
        return (Problem(Place(file), f"found the byte 0x{error.object[error.start]:02X}, expected UTF-8 text"),)
    except OSError as error:
        return (Problem(Place(file), f"cannot be read: {error.strerror}", "check the file's permissions"),)
    except ManifestError as error:
        return error.problems
    return ()
