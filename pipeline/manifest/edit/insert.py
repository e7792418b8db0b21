"""Where values, keys and tables go in a TOML text that ``tomllib`` accepts, in the style of what stands beside them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from pipeline.manifest.edit.pinnable import KeyPath
from pipeline.manifest.text.positions import Part, Positions, ValueSpan

Edit = tuple[int, int, str]
"""Begin and end (offsets) of what is replaced, and what takes its place."""

Value = str | int
"""What is written: a number, or text that needs no escapes."""

ORDER = ("path", "size", "sha256", "crc32", "image-sha256")
"""Keys of a table in the order they are written."""

BARE = re.compile("[A-Za-z0-9_-]+")
QUOTES = re.compile("\"{3}|'{3}|[\"']")


class NoPlaceError(ValueError):
    """A table is written in a form to which nothing can be added safely."""


@dataclass(frozen=True, slots=True)
class Style:
    """How a line is written: ``before`` the key, from the key to the "=", behind it, and around text.

    ``width``: columns of key and space where the "=" of several lines stand below each other, else 0.
    """

    before: str = ""
    width: int = 0
    space: str = " "
    behind: str = " "
    quote: str = '"'

    def pair(self, key: str, value: Value) -> str:
        """Return ``key = value``."""
        return f"{key.ljust(self.width - 1)}{self.space}={self.behind}{literal(value, self.quote)}"


def literal(value: Value, quotes: str = '"') -> str:
    """Return a value as TOML has it."""
    return str(value) if isinstance(value, int) else f"{quotes}{value}{quotes}"


def apply(text: str, edits: Iterable[Edit]) -> str:
    """Return the text with all edits made; those at one place in the order they are given."""
    parts, reached = [], 0
    for begin, end, new in sorted(edits, key=lambda edit: edit[0]):
        parts += [text[reached:begin], new]
        reached = end
    return "".join([*parts, text[reached:]])


class Text:
    """A text and where everything stands in it; its methods return the edits that change it."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._positions = Positions(text)

    def set_value(self, way: Sequence[Part], value: Value) -> Edit:
        """Return the edit of a value that is there; the quotes around it stay."""
        spot = self._positions.spot(way)
        quotes = QUOTES.match(self._text, spot.value)
        return spot.value, spot.end, literal(value, quotes[0] if quotes else '"')

    def add_keys(self, way: Sequence[Part], values: Mapping[str, Value]) -> list[Edit]:
        """Return the edits that give a table keys it does not have: each below the last of ORDER that comes before.

        Raises NoPlaceError for an empty inline table, and for a dotted key within one.
        """
        table = self._positions.spot(way)
        pairs = self._pairs(table)
        inline = any(self._is_pair(self._positions.spot(way[:end])) for end in range(1, len(way) + 1))
        edits = []
        for key, value in values.items():
            above = [pairs[name] for name in ORDER[: ORDER.index(key)] if name in pairs]
            if not above and not (self._has_head(table) and not inline):
                above = sorted(pairs.values(), key=lambda spot: spot.end)
            if inline and (not above or self._text[table.value] != "{"):
                raise NoPlaceError
            anchor = above[-1] if above else table
            if not above and not self._has_head(table):
                raise NoPlaceError
            style = self._style(table, anchor)
            at = anchor.end if inline else self._line_end(anchor.end)
            before = ", " if inline else self._line_ending(at) + style.before
            edits.append((at, at, before + style.pair(key, value)))
        return edits

    def add_tables(self, tables: Mapping[KeyPath, Mapping[str, Value]]) -> list[Edit]:
        """Return the edits that add tables with heads: above the first ROM file with its comments, else at the end.

        An item of a list goes to the end of the text, in the order given. Raises NoPlaceError where the table around
        one of them is inline.
        """
        if any(self._is_pair(self._positions.spot(way[:1])) for way in tables):
            raise NoPlaceError
        items = {way: values for way, values in tables.items() if _is_item(way)}
        if items:
            rest = {way: values for way, values in tables.items() if way not in items}
            return [*(self.add_tables(rest) if rest else ()), *self._items(items)]
        rom = self._positions.spot(["rom"])
        below = self._above_comments(rom.value) if self._text.startswith("[[", rom.value) else len(self._text)
        at = self._line_end(len(self._text[:below].rstrip()))
        ending = self._line_ending(at)
        blocks = [self._block(way, values, ending) for way, values in tables.items()]
        if not self._text[:below].strip():
            return [(0, 0, block + ending * 2) for block in blocks]
        return [(at, at, ending * 2 + block) for block in blocks]

    def _items(self, tables: Mapping[KeyPath, Mapping[str, Value]]) -> list[Edit]:
        """Return the edits that add items to lists at the end of the text."""
        end = len(self._text.rstrip())
        ending = self._line_ending(end)
        heads = [f"[[{way[0]}]]" for way in tables]
        pairs = [[Style().pair(*pair) for pair in values.items()] for values in tables.values()]
        blocks = [ending.join([head, *lines]) for head, lines in zip(heads, pairs, strict=True)]
        return [(end, end, ending * 2 + block) for block in blocks]

    def _block(self, way: KeyPath, values: Mapping[str, Value], ending: str) -> str:
        """Return the lines of a new table, written like the last one beside it that has a head."""
        beside = self._positions.spot(way[:1]).inner.values() if len(way) > 1 else ()
        headed = [table for table in beside if self._has_head(table)]
        style = self._style(headed[-1], headed[-1]) if headed else Style()
        indent = self._before(headed[-1].value) if headed else ""
        head = ".".join(part if BARE.fullmatch(part) else f'"{part}"' for part in map(str, way))
        return ending.join([f"{indent}[{head}]", *(style.before + style.pair(*pair) for pair in values.items())])

    def _style(self, table: ValueSpan, anchor: ValueSpan) -> Style:
        """Return the style of a line: of ``anchor`` where it is one, else of the first in the table."""
        pairs = sorted(self._pairs(table).values(), key=lambda spot: spot.key)
        if not self._is_pair(anchor):
            if not pairs:
                return Style(before=self._before(table.value))
            anchor = pairs[0]
        key, _, behind = self._text[anchor.key : anchor.value].rpartition("=")
        space = key[len(key.rstrip()) :]
        quotes = [self._text[spot.value] for spot in pairs if self._text[spot.value] in "\"'"]
        return Style(
            before=self._before(anchor.key),
            width=len(key) if len(space) > 1 else 0,
            space=space[:1],
            behind=behind,
            quote=quotes[0] if quotes else '"',
        )

    def _pairs(self, table: ValueSpan) -> dict[Part, ValueSpan]:
        return {part: spot for part, spot in table.inner.items() if self._is_pair(spot)}

    def _is_pair(self, spot: ValueSpan) -> bool:
        """Whether a spot is that of ``key = value``, and not of a head, an item or a table that a key implies."""
        return self._text[spot.key : spot.value].rstrip().endswith("=")

    def _has_head(self, spot: ValueSpan) -> bool:
        return spot.value < spot.key and self._text[spot.value] == "["

    def _before(self, at: int) -> str:
        """Return what stands on the line before an offset."""
        return self._text[self._text.rfind("\n", 0, at) + 1 : at]

    def _line_end(self, at: int) -> int:
        """Return the offset of the line ending that comes next, or of the end of the text."""
        found = self._text.find("\n", at)
        if found < 0:
            return len(self._text)
        return found - 1 if self._text[found - 1 : found] == "\r" else found

    def _line_ending(self, at: int) -> str:
        """Return the line ending at an offset; on a last line without one, that of the text."""
        if at < len(self._text):
            return "\r\n" if self._text.startswith("\r\n", at) else "\n"
        return "\r\n" if "\r\n" in self._text else "\n"

    def _above_comments(self, at: int) -> int:
        """Return the offset of the line that holds ``at``, or of the first of the comment lines right above it."""
        reached = max((spot.end for spot in _all(self._positions.spot(())) if spot.end <= at), default=0)
        at -= len(self._before(at))
        while at:
            above = at - 1 - len(self._before(at - 1))
            if above < reached or not self._text[above:at].lstrip().startswith("#"):
                break
            at = above
        return at


def _is_item(way: KeyPath) -> bool:
    return bool(way) and isinstance(way[-1], int)


def _all(spot: ValueSpan) -> Iterator[ValueSpan]:
    """Yield a spot and all within it."""
    yield spot
    for inner in spot.inner.values():
        yield from _all(inner)
