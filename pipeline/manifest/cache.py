"""The TOML values of manifests that were found valid, kept for the next load; only a cache, safe to delete.

A text file: its seal, then a line a manifest: its kind, the SHA-256 of its bytes, a tab, and its values as JSON. It is
JSON since a file that may come from elsewhere must never be able to run code.
"""

from __future__ import annotations

import functools
import hashlib
import json
import sys
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from datetime import date, datetime, time
from importlib.metadata import version
from pathlib import Path
from typing import Any

from pipeline.resources import SCHEMAS

DATES: Mapping[str, type[date | time]] = {kind.__name__: kind for kind in (date, datetime, time)}
"""TOML's own dates and times, which JSON does not have: ``{"toml": null, "date": "2026-05-01"}``; TOML has no null."""

RULED = (Path(__file__).parent, Path(__file__).parents[1] / "model", SCHEMAS)
"""The folders whose files decide what is valid, and what its values are."""

JUDGES = ("jsonschema", "jsonschema-rs", "tomli")
"""The libraries that do so with them."""


class Cache:
    """What the last load found valid, by kind and content, kept in the file ``path``.

    A file that is damaged, or was written under other rules, is as good as none; where none can be written, none is.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._kept = _read(path)
        self._used: dict[str, str] = {}

    def find(self, kind: str, data: bytes) -> dict[str, Any] | None:
        """Return the values of a manifest of one kind ("board") with these bytes, None when they are not known."""
        key = _key(kind, data)
        if key not in self._kept:
            return None
        self._used[key] = self._kept[key]
        return from_json(self._kept[key])

    def keep(self, kind: str, data: bytes, values: Mapping[str, Any]) -> None:
        """Keep the values of a manifest without problems."""
        with suppress(ValueError):  # a number of thousands of digits; it is read anew each time
            self._used[_key(kind, data)] = to_json(values)

    def save(self) -> None:
        """Write what was found and kept, and nothing else, for the next load."""
        if self._used == self._kept:
            return
        temporary = self._path.with_name(f"{self._path.name}.part")
        with suppress(OSError):
            self._path.parent.mkdir(parents=True, exist_ok=True)
            try:
                with temporary.open("wb") as file:
                    file.write(_seal(self._lines()))
                    file.writelines(self._lines())
                temporary.replace(self._path)
            finally:
                temporary.unlink(missing_ok=True)

    def _lines(self) -> Iterator[bytes]:
        return (f"{key}\t{text}\n".encode() for key, text in self._used.items())


def to_json(values: Mapping[str, Any]) -> str:
    """Return TOML values as one line of JSON; raises ValueError for a number that Python does not print."""
    return ENCODE(values)


def from_json(text: str) -> dict[str, Any]:
    """Return the TOML values that ``to_json`` made a text of."""
    values: dict[str, Any] = json.loads(text, object_hook=_unmarked if '{"toml":null' in text else None)
    return values


def _marked(value: date | time) -> dict[str, str | None]:
    return {"toml": None, type(value).__name__: value.isoformat()}


ENCODE = json.JSONEncoder(separators=(",", ":"), default=_marked, check_circular=False).encode


def _unmarked(table: dict[str, Any]) -> Any:
    if table.get("toml", "") is not None:
        return table
    return next(DATES[name].fromisoformat(text) for name, text in table.items() if text is not None)


def _key(kind: str, data: bytes) -> str:
    return f"{kind} {hashlib.sha256(data).hexdigest()}"


def _read(path: Path) -> dict[str, str]:
    """Return the texts of the kept values by their keys; nothing when the file is not as it was written."""
    try:
        with path.open("rb") as file:
            seal, lines = file.readline(), list(file)
    except OSError:
        return {}
    if seal != _seal(lines):
        return {}
    return dict(line.decode().rstrip("\n").split("\t", 1) for line in lines)


def _seal(lines: Iterable[bytes]) -> bytes:
    """Return the first line: SHA-256 of the rules and of what was kept under them."""
    seal = hashlib.sha256(_rules())
    for line in lines:
        seal.update(line)
    return b"%s\n" % seal.hexdigest().encode()


@functools.cache
def _rules() -> bytes:
    """Return a digest of all that decides what is valid."""
    rules = hashlib.sha256(" ".join([sys.version, *map(version, JUDGES)]).encode())
    for path in sorted(path for folder in RULED for path in folder.glob("*.*") if path.suffix in (".py", ".json")):
        rules.update(path.read_bytes())
    return rules.digest()
