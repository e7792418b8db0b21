"""Where each key and value of a TOML text stands, for messages.

The readers of values (``read.toml_values``) drop their positions. The scanner here finds them again in a text that
``tomllib`` accepts, and is used only when there is something to report.
Source: TOML 1.0.0 (https://toml.io/en/v1.0.0), "Keys", "Table", "Array of Tables", "Inline Table".
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path

from pipeline.errors import Place

Part = str | int
"""One step of the way to a value: a key, or the index of a list item counted from 0."""

CONTROL = re.compile("[\x00-\x1f\x7f]")
SPACE = re.compile(r"[ \t]*")
BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
BARE_VALUE = re.compile(r"[^,\]}#\n]*[^,\]}#\s]")
STRING = re.compile(
    r'"{3}(?:\\.|[^\\])*?"{3,5}'  # a multi-line string may end in one or two quotes of its own
    r"|'{3}.*?'{3,5}"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'",
    re.DOTALL,
)


@dataclass(slots=True)
class ValueSpan:
    """Offsets of one value: where its key begins, where the value begins and ends, and what it holds.

    For a table with a head, the value is the head. For a list item without a key of its own, the key is the value.
    """

    key: int
    value: int
    end: int
    inner: dict[Part, ValueSpan] = field(default_factory=dict)
    _spelled: tuple[dict[str, ValueSpan], int] | None = None

    def spelled(self) -> tuple[dict[str, ValueSpan], int]:
        """Return the inner values by their keys as problems spell them, and the length of the longest key.

        Kept once it was asked for, so only for a text that was scanned to its end.
        """
        if self._spelled is None:
            inner = {spell([part]): spot for part, spot in self.inner.items()}
            self._spelled = inner, max(map(len, inner), default=0)
        return self._spelled


class _Scanner:
    """Walks a valid TOML text once; ``at`` is the offset of the next character."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.root = ValueSpan(0, 0, 0)

    def scan(self) -> ValueSpan:
        table = self.root
        while self._skip(BLANK) < len(self.text):
            if self.text[self.at] == "[":
                table = self._head()
            else:
                self._pair(table)
        return self.root

    def _skip(self, pattern: re.Pattern[str]) -> int:
        match = pattern.match(self.text, self.at)
        self.at = match.end() if match else self.at
        return self.at

    def _key(self) -> list[tuple[str, int]]:
        """Return the parts of a dotted key with their offsets; the next character is then what follows the key."""
        parts = []
        while True:
            start = self._skip(SPACE)
            quoted = self.text[start] in "\"'"
            raw = self.text[start : self._skip(STRING if quoted else BARE_KEY)]
            parts.append((tomllib.loads(f"key={raw}")["key"] if quoted else raw, start))
            if self.text[self._skip(SPACE)] != ".":
                return parts
            self.at += 1

    def _head(self) -> ValueSpan:
        """Return the table that a head ``[a.b]`` or ``[[a.b]]`` opens."""
        start = self.at
        brackets = 2 if self.text.startswith("[[", start) else 1
        self.at += brackets
        *outer, (name, at) = self._key()
        self.at += brackets
        table = self._enter(self.root, outer)
        fresh = ValueSpan(at, start, self.at)
        if brackets == 2:
            items = table.inner.setdefault(name, ValueSpan(at, start, self.at)).inner
            items[len(items)] = fresh
        elif name in table.inner:  # a table that heads of its own tables stood before
            fresh.inner = table.inner[name].inner
            table.inner[name] = fresh
        else:
            table.inner[name] = fresh
        return fresh

    def _enter(self, table: ValueSpan, parts: Sequence[tuple[str, int]]) -> ValueSpan:
        """Return the table that ``parts`` lead to from ``table``, made where missing; of a list, its last item."""
        for name, at in parts:
            table = table.inner.setdefault(name, ValueSpan(at, at, at + len(name)))
            if 0 in table.inner:
                table = table.inner[len(table.inner) - 1]
        return table

    def _pair(self, table: ValueSpan) -> None:
        *outer, (name, at) = self._key()
        self.at += 1  # "="
        self._skip(SPACE)
        self._enter(table, outer).inner[name] = self._value(at)

    def _value(self, key: int) -> ValueSpan:
        start = self.at
        spot = ValueSpan(key, start, start)
        opening = self.text[start]
        if opening in "[{":
            self.at += 1
            while self.text[self._skip(BLANK)] not in "]}":
                if self.text[self.at] == ",":
                    self.at += 1
                elif opening == "[":
                    spot.inner[len(spot.inner)] = self._value(self.at)
                else:
                    self._pair(spot)
            self.at += 1
        else:
            self._skip(STRING if opening in "\"'" else BARE_VALUE)
        spot.end = self.at
        return spot


class Positions:
    """The positions of one TOML text that ``tomllib`` accepts."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._root = _Scanner(text).scan()
        self._lines = [0, *(match.end() for match in re.finditer("\n", text))]

    def spot(self, path: Sequence[Part]) -> ValueSpan:
        """Return the spot a path leads to, or that of the innermost table or list on the way that exists."""
        spot = self._root
        for part in path:
            if part not in spot.inner:
                break
            spot = spot.inner[part]
        return spot

    def spot_of_key(self, key: str) -> ValueSpan:
        """Return the spot of a key as problems spell it ("rom.1.steps.2.at"), or the innermost that exists."""
        return _resolve(self._root, key)[1]

    def line_and_column(self, offset: int) -> tuple[int, int]:
        """Return the line and column of an offset, both from 1, columns in characters."""
        line = bisect_right(self._lines, offset)
        return line, offset - self._lines[line - 1] + 1

    def raw(self, path: Sequence[Part]) -> str:
        """Return a value as it is written."""
        spot = self.spot(path)
        return self._text[spot.value : spot.end]


def spell(path: Sequence[Part]) -> str:
    """Return a path as problems spell it: parts joined with ".", list items counted from 1, controls escaped."""
    key = ".".join([str(part + 1) if isinstance(part, int) else part for part in path])
    return CONTROL.sub(_escaped, key)


def _escaped(control: re.Match[str]) -> str:
    return f"\\u{ord(control[0]):04x}"


def locator(base: Path) -> Callable[[Place], Place]:
    """Return the function that fills line and column of a place from its file and key.

    Files are looked up from ``base`` and read when first needed. A place that has a line, names no key or lies in no
    readable TOML file comes back as it is.
    """

    @cache
    def positions(file: str) -> Positions | None:
        try:
            text = (base / file).read_bytes().decode("utf-8-sig")
            tomllib.loads(text)
            return Positions(text)
        except (OSError, ValueError, RecursionError):
            return None

    def locate(place: Place) -> Place:
        known = positions(place.file) if place.key and not place.line and place.file.endswith(".toml") else None
        if known is None:
            return place
        line, column = known.line_and_column(known.spot_of_key(place.key).value)
        return replace(place, line=line, column=column)

    return locate


def _resolve(spot: ValueSpan, key: str) -> tuple[int, ValueSpan]:
    """Return how many characters of a key lead nowhere, and the spot the others lead to; names may hold dots."""
    best = (len(key), spot)
    inner, longest = spot.spelled()
    end = key.find(".")
    while 0 <= end <= longest:
        if key[:end] in inner:
            best = min(best, _resolve(inner[key[:end]], key[end + 1 :]), key=lambda found: found[0])
        end = key.find(".", end + 1)
    return (0, inner[key]) if key in inner else best
