"""A file or archive member as the index knows it."""

from __future__ import annotations

import os
from functools import lru_cache
from typing import NamedTuple

from pipeline.model.content import Location


class SourceEntry(NamedTuple):
    """A file or member of the index; ``place`` counts the places from 0, ``path`` is as the system spells it.

    A plain file's CRC-32 is known only once it was hashed, a member's always.
    """

    place: int
    path: bytes
    member: str | None
    size: int
    crc32: int | None
    sha256: str | None

    @property
    def order(self) -> tuple[int, bool, bytes, str]:
        """Which of several is preferred: the earlier place, a plain file before a member, then path and member."""
        return self.place, self.member is not None, self.path, self.member or ""

    @property
    def location(self) -> Location:
        """Where it lies, for opening it."""
        return Location(path=_spelled(self.path), member=self.member)

    @property
    def names(self) -> tuple[str, ...]:
        """Its name without folders, and that without its extension, in the form in which names are compared."""
        name = fold(os.fsdecode(self.path).replace(os.sep, "/") if self.member is None else self.member)
        stem = name.rpartition(".")[0]
        return (name, stem) if stem else (name,)


@lru_cache(maxsize=256)
def _spelled(path: bytes) -> str:
    """Return a path as text, once for the many members of an archive."""
    return os.fsdecode(path)


def fold(path: str) -> str:
    """Return the last part of a path with case ignored."""
    return path.rpartition("/")[2].casefold()
