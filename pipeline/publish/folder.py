"""A published folder: which files it holds, and whether they are those its checksum list names."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Collection, Iterator, Mapping
from pathlib import Path

from pipeline.errors import CheckError, Place, Problem
from pipeline.file_digest import sha256_of_file
from pipeline.model.text import shown

SUMS = "SHA256SUMS"
SIGNATURE = f"{SUMS}.sig"
UNLISTED = {SUMS, SIGNATURE}
"""What the checksum list cannot name: itself, and what signs it."""
STRANGE = "do not use this folder; get it again from where it was published"

VERSION = re.compile(r"[A-Za-z0-9]([A-Za-z0-9._+-]*[A-Za-z0-9_+-])?")
DEVICE = re.compile(r"(con|prn|aux|nul|(com|lpt)[0-9])(\..*)?", re.IGNORECASE)
"""Names that are devices on Windows, with and without an extension.

Source: Microsoft, "Naming Files, Paths, and Namespaces".
"""

Progress = Callable[[int], None]


def files_of(folder: Path) -> dict[str, Path]:
    """Return every file below a folder by its path with "/", sorted.

    Raises CheckError for links and devices, which may lead out of it; OSError is left to the caller.
    """
    files, problems = dict[str, Path](), list[Problem]()
    for root, folders, names in os.walk(folder, onerror=_fail):
        for name in (*folders, *names):
            path = Path(root, name)
            below = path.relative_to(folder).as_posix()
            if path.is_symlink() or not (path.is_file() or path.is_dir()):
                what = "is a link or a device; expected plain files and folders"
                problems.append(Problem(_place(below), what, STRANGE))
            elif path.is_file():
                files[below] = path
    if problems:
        raise CheckError(problems)
    return dict(sorted(files.items()))


def is_version(text: str) -> bool:
    """Whether a card's version can be part of a folder's name, and be one by itself, on any system."""
    return VERSION.fullmatch(text) is not None and DEVICE.fullmatch(text) is None


def _place(name: str) -> Place:
    return Place(shown(name))


def _fail(error: OSError) -> None:
    raise error


def check_sums(
    files: Mapping[str, Path], sums: Mapping[str, str], absent: Collection[str], progress: Progress = lambda _: None
) -> Iterator[Problem]:
    """Yield what is missing, what no line names, and what has another SHA-256 than its line.

    ``absent``: names that are listed and need not be there. ``progress`` is called with bytes read.
    """
    for name in sorted(sums.keys() - files.keys() - set(absent)):
        yield Problem(_place(name), f"is missing; {SUMS} names it", STRANGE)
    for name in sorted(files.keys() - sums.keys() - UNLISTED):
        yield Problem(
            _place(name), f"is not named in {SUMS}; expected only files that are", "take it out of the folder"
        )
    for name in sorted(sums.keys() & files.keys()):
        sha256 = sha256_of_file(files[name])
        progress(files[name].stat().st_size)
        if sha256 != sums[name]:
            yield Problem(_place(name), f"found the SHA-256 {sha256}, expected {sums[name]}", STRANGE)
