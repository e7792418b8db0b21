"""Bringing a mounted card up to date file by file, for people who must not write it whole."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fnmatch import translate
from pathlib import Path

from pipeline.errors import CheckError, MachineError
from pipeline.fat.names import fold
from pipeline.model.content import Content

LITTER = (
    "._*", ".DS_Store", ".Spotlight-V100", ".TemporaryItems", ".Trashes", ".apdisk", ".fseventsd",
    "$RECYCLE.BIN", "FOUND.[0-9][0-9][0-9]", "RECYCLER", "System Volume Information", "Thumbs.db", "desktop.ini",
    ".Trash-*", "LOST.DIR",
)  # fmt: skip
"""What desktops, telephones and disk checkers leave behind; neither the card's nor the user's (common practice).

A line each: macOS, Windows, other systems. ``.Trash-$uid``: FreeDesktop.org Trash specification 1.0.
"""
LITTER_NAME = re.compile("|".join(translate(fold(pattern)) for pattern in LITTER))

TEMPORARY = "CKNEW.TMP"
"""An 8.3 name, so that a new file takes one slot and its rename gives the entry the card had."""
PART = 1 << 20

Progress = Callable[[int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Changes:
    """What differs between a card and the files it should hold; paths as they should be, with "/"."""

    same: tuple[str, ...] = ()
    new: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()
    others: tuple[str, ...] = ()


def compare(
    files: Mapping[str, Content], folder: Path, mine: Callable[[str], bool], progress: Progress = lambda _: None
) -> Changes:
    """Return how a folder differs from the files of a card, names compared as FAT does.

    ``mine`` says which paths belong to the user or to nobody; they are not looked at. OSError is left to the caller.
    """
    there = {fold(path): path for path in _walk(folder) if not mine(path)}
    same, new, changed = list[str](), list[str](), list[str]()
    for path, content in sorted(files.items()):
        found = there.pop(fold(path), None)
        if found is None:
            new.append(path)
        elif _is(folder / found, content, progress):
            same.append(path)
        else:
            changed.append(path)
    return Changes(same=tuple(same), new=tuple(new), changed=tuple(changed), others=tuple(sorted(there.values())))


def bring(
    folder: Path, path: str, content: Content, source: Iterator[bytes], progress: Progress = lambda _: None
) -> None:
    """Write a file of the card beside the old one, read it again, and put it in its place.

    Raises CheckError when the source is not the content or what was written reads back otherwise; OSError too.
    """
    target = folder.joinpath(*path.split("/"))
    target.parent.mkdir(parents=True, exist_ok=True)
    temporary = target.with_name(TEMPORARY)
    digest = hashlib.sha256()
    try:
        with temporary.open("wb") as file:
            for part in source:
                digest.update(part)
                file.write(part)
                progress(len(part))
            file.flush()
            os.fsync(file.fileno())
        if digest.hexdigest() != content.sha256:
            raise CheckError.one("its source changed meanwhile", "build again", file=path)
        if not _is(temporary, content, lambda _: None):
            raise CheckError.one("reads back other bytes than were written", "do not use this card", file=path)
        temporary.replace(target)
    finally:
        temporary.unlink(missing_ok=True)


def room(folder: Path, files: Mapping[str, Content], changes: Changes) -> None:
    """Raise MachineError when what is to be written would not fit beside what is there."""
    sizes = [files[path].size or 0 for path in (*changes.new, *changes.changed)]
    needed, free = (
        sum(files[path].size or 0 for path in changes.new) + max(sizes, default=0),
        shutil.disk_usage(folder).free,
    )
    if needed > free:
        what = f"has {free:,} bytes free; {needed:,} are needed, the largest file beside its older self among them"
        raise MachineError.one(what, "write the card whole: doit write", file=str(folder))


def is_litter(path: str) -> bool:
    """Whether a path is something a desktop left behind."""
    return any(LITTER_NAME.fullmatch(fold(part)) for part in path.split("/"))


def belongs(path: str, patterns: Sequence[str]) -> bool:
    """Whether a path fits one of the patterns; one that ends in "/**" means everything in that folder."""
    folded = fold(path)
    return any(
        folded.startswith(fold(pattern[:-2])) if pattern.endswith("/**") else folded == fold(pattern)
        for pattern in patterns
    )


def _walk(folder: Path) -> Iterator[str]:
    for root, _, names in os.walk(folder, onerror=_fail):
        for name in names:
            yield Path(root, name).relative_to(folder).as_posix()


def _fail(error: OSError) -> None:
    raise error


def _is(path: Path, content: Content, progress: Progress) -> bool:
    if path.stat().st_size != content.size:
        return False
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while part := file.read(PART):
            digest.update(part)
            progress(len(part))
    return digest.hexdigest() == content.sha256
