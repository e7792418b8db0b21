"""Shorthand for tests that look for contents."""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Sequence
from pathlib import Path

import pytest

from pipeline.errors import Place
from pipeline.model.content import Content, Location, Wanted
from pipeline.sources.files.archive import ArchiveError
from pipeline.sources.files.digest import Digest, Take, digest, digest_members
from pipeline.sources.search import matcher


def sha(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def want(data: bytes, *names: str, sized: bool = True, checked: bool = False) -> Wanted:
    """Ask for some bytes; by size, unless not ``sized``, and by CRC-32 too, if ``checked``."""
    content = Content(sha256=sha(data), size=len(data) if sized else None, crc32=zlib.crc32(data) if checked else None)
    return Wanted(content=content, name="chip 4t of moth-pantry", place=Place(), file_names=names)


def at(path: Path, member: str | None = None) -> Location:
    return Location(path=str(path), member=member)


def count_hashing(monkeypatch: pytest.MonkeyPatch) -> list[Location]:
    """Return a list that grows by every location hashed from now on."""
    hashed: list[Location] = []

    def counting(location: Location, take: Take | None = None) -> Digest:
        hashed.append(location)
        return digest(location, take)

    def counting_members(path: str, names: Sequence[str], take: Take | None = None) -> list[Digest | ArchiveError]:
        hashed.extend(Location(path=path, member=name) for name in names)
        return digest_members(path, names, take)

    monkeypatch.setattr(matcher, "digest", counting)
    monkeypatch.setattr(matcher, "digest_members", counting_members)
    return hashed
