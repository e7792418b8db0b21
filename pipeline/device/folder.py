"""Comparing a mounted card with the files it should have, and writing them one by one."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import stat
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from fnmatch import translate
from pathlib import Path
from typing import BinaryIO

from pipeline.errors import CheckError, MachineError, RefusedError
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

TEMPORARY = ("CKNEW.TMP", *(f"CKNEW{number:03}.TMP" for number in range(1, 1000)))
"""8.3 names, so that a new file takes one slot and its rename gives the entry the card had.

The first free one is taken: what has such a name already may be the user's, and is left as it is.
"""
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


def write_file(
    folder: Path, path: str, content: Content, source: Iterator[bytes], progress: Progress = lambda _: None
) -> None:
    """Write a file of the card beside the old one, read it again, and put it in its place.

    Raises CheckError when the source is not the content or what was written reads back otherwise, and RefusedError when
    the way to it leads through a link; OSError too.
    """
    target = folder.joinpath(*path.split("/"))
    refuse_links(folder, path)
    target.parent.mkdir(parents=True, exist_ok=True)
    temporary, file = _new_file(target)
    digest = hashlib.sha256()
    try:
        with file:
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


def refuse_links(folder: Path, path: str) -> None:
    """Raise RefusedError when a file of the card, or a folder above it, is a link: what it leads to is no card's."""
    target = folder.joinpath(*path.split("/"))
    for step in (target, *target.parents):
        if step == folder:
            return
        if _is_link(step):
            what = "is a link, and no FAT volume has links; nothing was written through it"
            raise RefusedError.one(what, "name the folder where the card itself is mounted", file=str(step))


def _is_link(path: Path) -> bool:
    try:
        state = path.lstat()
    except FileNotFoundError:
        return False
    return stat.S_ISLNK(state.st_mode) or getattr(state, "st_reparse_tag", 0) != 0  # the latter: junctions of Windows


def _new_file(target: Path) -> tuple[Path, BinaryIO]:
    """Return a file beside ``target`` under a name that nothing had, opened for writing."""
    for name in TEMPORARY:
        with suppress(FileExistsError):
            temporary = target.with_name(name)
            return temporary, temporary.open("xb")  # creates it, and follows no link
    what, hint = f"{len(TEMPORARY):,} files named CKNEW*.TMP are there", "remove those that are not yours"
    raise MachineError.one(what, hint, file=str(target.parent))


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
