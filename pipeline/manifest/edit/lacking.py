"""Which tables of a manifest lack a size or a SHA-256, and what they say already of the file they mean."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from pipeline.manifest.edit.pinnable import GROUPS, LISTED, NAMED, KeyPath, fields, held
from pipeline.manifest.text.blank import BLANK
from pipeline.model.content import Sought
from pipeline.model.units import parse_size

BUILT = frozenset({"rom", "image"})
"""Groups whose files are built, and so are in no place."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lacking:
    """A table that lacks a size or a hash: the way to it, what is known, and its SHA-256, "" where it is lacking."""

    way: KeyPath
    sought: Sought
    sha256: str = ""

    @property
    def basis(self) -> str:
        """What a file that fits is known by, in words."""
        return "SHA-256" if self.sha256 else self.sought.basis


def lacking(kind: str, id_: str, data: Mapping[str, Any], sockets: Mapping[str, int]) -> Iterator[Lacking]:
    """Yield the tables of a manifest whose missing or blank values a file can fill in, in the order of the groups.

    ``sockets``: the size of each socket of a title's layout, which need not be stated. A table in which another value
    is no size or no hash is left to the check.
    """
    for way in _ways(kind, data):
        table = held(data, way) or {}
        if not isinstance(table, dict) or "from" in table:
            continue
        try:
            known = {name: _known(name, table.get(name)) for name in fields(way)}
        except ValueError:
            continue
        if way[0] == "sockets" and known["size"] is None and "size" not in table:
            known["size"] = sockets.get(str(way[1]))
        if known["size"] is None or known["sha256"] is None or table.get("crc32") == BLANK:
            names = tuple(name for name in _names(id_, data, way, table) if name not in ("", BLANK))
            sought = Sought(names=names, size=known["size"], crc32=known["crc32"])
            yield Lacking(way=way, sought=sought, sha256=known["sha256"] or "")


def _ways(kind: str, data: Mapping[str, Any]) -> Iterator[KeyPath]:
    for group in GROUPS.get(kind, ()):
        tables = data.get(group)
        if group in BUILT:
            continue
        if group in NAMED:
            yield from ((group, name) for name in tables) if isinstance(tables, dict) else ()
        elif group in LISTED:
            yield from ((group, number) for number in range(len(tables))) if isinstance(tables, list) else ()
        else:
            yield (group,)


def _known(name: str, value: object) -> Any:
    """Return a size as a number of bytes, a hash in lower case, a CRC-32 as a number, None where it is missing.

    Raises ValueError for what is none.
    """
    if value in (None, "", BLANK):
        return None
    if name == "size" and isinstance(value, str | int):
        return parse_size(value)
    if isinstance(value, str) and re.fullmatch({"sha256": "[0-9a-fA-F]{64}", "crc32": "[0-9a-fA-F]{8}"}[name], value):
        return value.lower() if name == "sha256" else int(value, 16)
    raise ValueError(value)


def _names(id_: str, data: Mapping[str, Any], way: KeyPath, table: Mapping[str, Any]) -> Iterator[str]:
    """Yield what the file that a table means may be called."""
    if way[0] in NAMED:
        yield str(way[1])
    elif way[0] in LISTED:
        yield str(table.get("path", "")).rpartition("/")[2]
    else:
        yield from (id_, *(str(data[name]) for name in ("folder", "name") if name in data))
