"""Sizes and hashes written into a manifest's text, every other character of which stays as it is.

Values are replaced where they stand; missing keys and tables are added in the style of what stands beside them. The
result is read again: it must say exactly what the text said before, and what was pinned.
Source: TOML 1.0.0 (https://toml.io/en/v1.0.0), "Keys", "Table", "Array of Tables", "Inline Table".
"""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any

from pipeline.errors import CheckError, ManifestError, Place, Problem
from pipeline.manifest.edit.insert import Edit, NoPlaceError, Text, Value, apply, literal
from pipeline.manifest.edit.pinnable import IMAGE_FIELD, LISTED, KeyPath, fields, held, key_of
from pipeline.manifest.text.blank import BLANK
from pipeline.manifest.text.positions import Part, Positions, spell
from pipeline.model.content import Content
from pipeline.model.text import shorten
from pipeline.model.units import parse_size, written_size


@dataclass(frozen=True, slots=True, kw_only=True)
class PinRequest:
    """The table at ``way`` is to mean ``content``, with its size and CRC-32; ``source`` is the file messages name.

    ``usual_size``: the size in bytes that goes without saying, None for none. ``path``: of a ROM file that the title
    takes over, "" for any other.
    """

    way: KeyPath
    content: Content
    source: str
    usual_size: int | None = None
    path: str = ""

    @property
    def key(self) -> str:
        """The key by which a person names it."""
        return f"rom.{self.path}" if self.path else key_of(self.way)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pinned:
    """The new text; the keys that were written, by the way to their table; the ways that had no table before."""

    text: str
    written: Mapping[KeyPath, tuple[str, ...]]
    added: frozenset[KeyPath]


def pin(text: str, file: str, pins: Sequence[PinRequest], *, replacing: bool = False, crc32: bool = False) -> Pinned:
    """Return a manifest's text with the pins in it; ``text`` is valid TOML, and each pin has a way of its own.

    A CRC-32 that is there is pinned too; ``crc32`` adds a missing one. Text in quotes with nothing in it counts as
    missing, and so does a blank. Raises CheckError for other values that are there, unless ``replacing``, and
    ManifestError where a table is written in a form that cannot be added to.
    """
    data = tomllib.loads(text)
    values = {request.way: dict(_values(data, request, crc32=crc32)) for request in pins}
    conflicts = [] if replacing else list(_conflicts(data, text, file, pins, values))
    if conflicts:
        *earlier, last = sorted(conflicts)
        raise CheckError([*earlier, replace(last, hint="with --replace the file's values are written")])
    result = apply(text, _edits(text, file, data, values))
    if not _says(result, data, values):
        raise ManifestError(_by_hand(text, file, way, some) for way, some in values.items())
    added = frozenset(way for way in values if held(data, way) is None)
    return Pinned(text=result, written={way: tuple(some) for way, some in values.items()}, added=added)


def _values(data: Mapping[str, Any], request: PinRequest, *, crc32: bool) -> Iterator[tuple[str, Value]]:
    """Yield the keys of a table that do not say what the content is, each with the value that does."""
    size, sum32 = request.content.size or 0, f"{request.content.crc32 or 0:08x}"
    if request.path and held(data, request.way) is None:
        yield "path", request.path
    for name in fields(request.way):
        old = held(data, (*request.way, name))
        if name == "size" and not _is_size(request.usual_size if old is None else old, size):
            yield name, _size(size, None if old == BLANK else old)
        elif name in ("sha256", IMAGE_FIELD) and not _is_text(old, request.content.sha256):
            yield name, request.content.sha256
        elif name == "crc32" and not _is_text(old, sum32) and (crc32 or old is not None):
            yield name, sum32


def _is_size(old: object, size: int) -> bool:
    with suppress(ValueError):
        return isinstance(old, str | int) and parse_size(old) == size
    return False


def _is_text(old: object, digits: str) -> bool:
    return isinstance(old, str) and old.lower() == digits


def _size(size: int, old: object) -> Value:
    """Return a size as it is written: as text or number where there is one, else the plainer of both."""
    if isinstance(old, int):
        return size
    written = written_size(size)
    return f"{written} B" if isinstance(old, str) and isinstance(written, int) else written


def _conflicts(
    data: Mapping[str, Any],
    text: str,
    file: str,
    pins: Sequence[PinRequest],
    values: Mapping[KeyPath, Mapping[str, Value]],
) -> Iterator[Problem]:
    """Yield the values that are there and are others."""
    positions = Positions(text)
    for request in pins:
        for name, value in values[request.way].items():
            way = (*request.way, name)
            if held(data, way) in (None, "", BLANK):
                continue
            raw = positions.raw(way)
            found = raw if len(raw) < 80 and "\n" not in raw else shorten(raw.replace("\n", " "))
            yield Problem(_place(positions, file, way), f"found {found}; {request.source} has {literal(value)}")


def _edits(text: str, file: str, data: Mapping[str, Any], values: Mapping[KeyPath, Mapping[str, Value]]) -> list[Edit]:
    """Return the edits that write the values; raises ManifestError with every table that has no place for them."""
    written, edits, problems = Text(text), list[Edit](), list[Problem]()
    new = {way: some for way, some in values.items() if held(data, way) is None}
    for way, some in values.items():
        table = held(data, way) or {}
        edits += (written.set_value((*way, name), value) for name, value in some.items() if name in table)
        missing = {name: value for name, value in some.items() if name not in table and way not in new}
        try:
            edits += written.add_keys(way, missing)
        except NoPlaceError:
            problems.append(_by_hand(text, file, way, missing))
    try:
        edits += written.add_tables(new)
    except NoPlaceError:
        problems += (_by_hand(text, file, way, some) for way, some in new.items())
    if problems:
        raise ManifestError(problems)
    return edits


def _by_hand(text: str, file: str, way: KeyPath, values: Mapping[str, Value]) -> Problem:
    lines = ", ".join(f"{name} = {literal(value)}" for name, value in values.items())
    what = "is written in a form that cannot be added to safely"
    return Problem(_place(Positions(text), file, way), what, f"write it by hand: {lines}")


def _place(positions: Positions, file: str, way: Sequence[Part]) -> Place:
    return Place(file, *positions.line_and_column(positions.spot(way).value), spell(way))


def _says(text: str, data: Mapping[str, Any], values: Mapping[KeyPath, Mapping[str, Value]]) -> bool:
    """Whether a text says what ``data`` says with the values in it, and nothing else."""
    expected: dict[str, Any] = copy.deepcopy(dict(data))
    for way, some in values.items():
        if held(expected, way) is None and way and way[0] in LISTED:
            expected.setdefault(str(way[0]), []).append(dict(some))
            continue
        if held(expected, way) is None:
            expected.setdefault(str(way[0]), {})
            if len(way) > 1:
                expected[str(way[0])][way[1]] = {}
        held(expected, way).update(some)
    try:
        return bool(_comparable(tomllib.loads(text)) == _comparable(expected))
    except ValueError:
        return False


def _comparable(value: Any) -> Any:
    """Return a form in which equal TOML values are equal whatever the order of their keys, nan among them."""
    if isinstance(value, dict):
        return {name: _comparable(inner) for name, inner in value.items()}
    return [_comparable(inner) for inner in value] if isinstance(value, list) else repr(value)
