"""What manifests of several kinds hold, decoded."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date
from functools import lru_cache
from sys import intern
from typing import Any

from pipeline.model.content import Content
from pipeline.model.manifest import ConfigFile, OwnFile, Rights, SumList
from pipeline.model.units import parse_size

Table = Mapping[str, Any]

NOTHING_STATED = Rights()

_size = lru_cache(1024, typed=True)(parse_size)
"""As ``parse_size``, with one value for all manifests that have the same."""


def texts(data: Table, key: str) -> tuple[str, ...]:
    """Return the texts of a list, none when it is left out; values that many titles have are kept once."""
    return _texts(tuple(data.get(key, ())))


@lru_cache(1024)
def _texts(found: tuple[str, ...]) -> tuple[str, ...]:
    """Return texts as one value for all manifests that have the same."""
    return tuple(map(intern, found))


def size(data: Table, key: str) -> int | None:
    """Return a size in bytes, None when it is left out."""
    return _size(data[key]) if key in data else None


def day(data: Table, key: str = "date") -> str:
    """Return a date as text, "" when it is left out."""
    day = data.get(key, "")
    return day.isoformat() if isinstance(day, date) else str(day)


def rights(data: Table) -> Rights:
    """Return what is stated of rights."""
    return Rights(**data["rights"]) if "rights" in data else NOTHING_STATED


def content(table: Table) -> Content:
    """Return a content that is declared by size and hash."""
    return Content(
        sha256=table["sha256"].lower(),
        size=_size(table["size"]),
        crc32=int(table["crc32"], 16) if "crc32" in table else None,
    )


def files(data: Table) -> Iterator[OwnFile]:
    """Yield the files of ``[[files]]``."""
    for number, table in enumerate(data.get("files", ()), 1):
        yield OwnFile(
            path=table["path"],
            placement=table.get("placement", "anywhere"),
            key=f"files.{number}",
            content=content(table) if "sha256" in table else None,
            source_path=table.get("from", ""),
        )


def sums(data: Table) -> Iterator[SumList]:
    """Yield the checksum lists of ``[[sums]]``."""
    for number, table in enumerate(data.get("sums", ()), 1):
        yield SumList(list_path=table["list"], into=table["into"], key=f"sums.{number}")


def configs(data: Table) -> Iterator[ConfigFile]:
    """Yield the config files of ``[[configs]]``."""
    for number, table in enumerate(data.get("configs", ()), 1):
        yield config(table, f"configs.{number}")


def config(table: Table, key: str) -> ConfigFile:
    """Return one config file, written from lines or from values."""
    sections = {"": table.get("values", {}), **table.get("sections", {})}
    return ConfigFile(
        path=table["path"],
        line_ending=table.get("line-ending", "lf"),
        encoding=table.get("encoding", "ascii"),
        key=key,
        head=texts(table, "head"),
        lines=texts(table, "lines"),
        values=tuple((section, name, text) for section, values in sections.items() for name, text in values.items()),
        separator=table.get("separator", "="),
        final_line_ending=table.get("final-line-ending", True),
    )
