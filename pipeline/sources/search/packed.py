"""Where contents were found, packed into some 70 bytes each, and unpacked when one is asked for.

There may be a hundred thousand: as tuples they take 12 MiB more.
"""

from __future__ import annotations

import marshal
import os
from collections.abc import Callable, Iterator, Mapping
from typing import Generic, TypeVar

from pipeline.model.content import Content, Location
from pipeline.sources.files.entry import SourceEntry

Value = TypeVar("Value")


class PackedSources:
    """Packs sources; the path of an archive is kept once for all its members."""

    def __init__(self) -> None:
        self._paths: list[bytes] = []
        self._numbers: dict[bytes, int] = {}

    def pack(self, source: SourceEntry, crc32: int | None) -> bytes:
        """Return a source as bytes, with the CRC-32 of what it holds."""
        number = self._numbers.setdefault(source.path, len(self._paths))
        if number == len(self._paths):
            self._paths.append(source.path)
        return marshal.dumps((number, source.member, source.size, crc32))

    def content(self, sha256: str, packed: bytes) -> Content:
        """Return the content of a source that was packed; its SHA-256 is given."""
        _, _, size, crc32 = marshal.loads(packed)  # noqa: S302  # made above, in this process
        return Content(sha256=sha256, size=size, crc32=crc32)

    def location(self, _: str, packed: bytes) -> Location:
        """Return where a source that was packed lies."""
        number, member, _, _ = marshal.loads(packed)  # noqa: S302  # as above
        return Location(path=os.fsdecode(self._paths[number]), member=member)


class PackedMapping(Mapping[str, Value], Generic[Value]):
    """What was found, by SHA-256, read from those values of a table that are packed sources."""

    def __init__(self, table: Mapping[str, object], read: Callable[[str, bytes], Value]) -> None:
        self._table, self._read = table, read

    def __getitem__(self, sha256: str) -> Value:
        packed = self._table[sha256]
        if not isinstance(packed, bytes):
            raise KeyError(sha256)
        return self._read(sha256, packed)

    def __contains__(self, sha256: object) -> bool:
        return isinstance(self._table.get(sha256), bytes) if isinstance(sha256, str) else False

    def __iter__(self) -> Iterator[str]:
        return (sha256 for sha256, packed in self._table.items() if isinstance(packed, bytes))

    def __len__(self) -> int:
        return sum(1 for _ in self)
