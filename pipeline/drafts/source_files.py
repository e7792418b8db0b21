"""The files from which a manifest is drafted: dumps, or what a release holds; hostile until read."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.bitstreams.bitstream import SIZE_CLASS, Bitstream
from pipeline.bitstreams.identify import identify
from pipeline.model.content import Content, Location
from pipeline.model.manifest import ArchiveLimits
from pipeline.sources.files.archive import named_as_archive
from pipeline.sources.files.argument import content_named, named
from pipeline.sources.files.listing import list_tree
from pipeline.sources.files.read import read_content

LARGEST_BITSTREAM = 128 << 20
"""Bytes; the bitstreams of the largest FPGAs in the published tables have half as many."""

READ_ME = re.compile(r"read[-_ ]?me", re.IGNORECASE)
HIDDEN = re.compile(r"(^|/)(\.|__MACOSX/)")
"""What version control, a desktop or an archiver keeps for itself; no release means it."""

NOT_IN_A_NAME = re.compile(r"[^A-Za-z0-9._-]+")
LONGEST_NAME = 32
"""Characters of the name that a chip is given from its file's."""

LICENCE = re.compile(r"(un)?licen[cs]e|copying|copyright|notice", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceFile:
    """One file: its ``path`` below what was named, the ``argument`` that names it alone, and what it holds.

    ``bitstream``: what it says of itself where it is one, else None.
    """

    path: str
    argument: str
    location: Location
    content: Content
    bitstream: Bitstream | None = None

    @property
    def name(self) -> str:
        """The file's name without folders."""
        return self.path.rpartition("/")[2]

    @property
    def is_read_me(self) -> bool:
        """Whether its name is that of a read-me."""
        return READ_ME.match(self.name) is not None

    @property
    def is_licence(self) -> bool:
        """Whether its name is that of a licence text."""
        return LICENCE.match(self.name) is not None


def source_files(arguments: Sequence[str], limits: ArchiveLimits) -> list[SourceFile]:
    """Return the files that arguments name: files, members of archives, and all files of folders and archives.

    Raises CardkilnError for what is not there, cannot be read or must not be trusted.
    """
    files = []
    for argument in arguments:
        path = Path(argument).expanduser()
        if path.is_dir() or (path.is_file() and named_as_archive(str(path))):
            listed = [
                (name, f"{argument.rstrip('/')}/{name}", place)
                for name, place in list_tree(path, limits).files.items()
                if not HIDDEN.search(name)
            ]
        else:
            place = named(str(path), limits)
            listed = [((place.member or path.name).rpartition("/")[2], argument, place)]
        files += [
            SourceFile(path=name, argument=own, location=place, content=content_named(place))
            for name, own, place in listed
        ]
    return files


def bitstreams_among(files: Sequence[SourceFile]) -> list[SourceFile]:
    """Return the files that are bitstreams, recognised by what they hold; by no more than a size only if none else."""
    recognised = []
    for file in files:
        if 0 < (file.content.size or 0) <= LARGEST_BITSTREAM:
            bitstream = identify(read_content(file.location, file.content))
            if bitstream:
                recognised.append(
                    SourceFile(path=file.path, argument=file.argument, location=file.location, content=file.content,
                               bitstream=bitstream)
                )  # fmt: skip
    sure = [file for file in recognised if file.bitstream and file.bitstream.precision != SIZE_CLASS]
    return sure or recognised


def chip_names(files: Sequence[SourceFile]) -> Iterator[str]:
    """Yield a chip's name for each file: its own, made fit and unique.

    The ending is left out, but where it is what tells files apart and holds a number: "moth.7b" and "moth.7c".
    """
    stems = Counter(_stem(file) for file in files)
    taken: set[str] = set()
    for file in files:
        own = _stem(file)
        if stems[own] > 1 and any(sign.isdecimal() for sign in file.name[len(own) :]):
            own = file.name
        name = NOT_IN_A_NAME.sub("-", own).strip("-._")[:LONGEST_NAME].rstrip("-._") or "chip"
        number, unique = 1, name
        while unique in taken:
            number += 1
            unique = f"{name}-{number}"
        taken.add(unique)
        yield unique


def _stem(file: SourceFile) -> str:
    return file.name.rpartition(".")[0] or file.name
