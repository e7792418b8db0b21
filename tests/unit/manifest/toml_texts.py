"""TOML documents of every shape the format allows, for tests of positions."""

from __future__ import annotations

from itertools import count

from hypothesis import strategies as st

SCALARS = st.sampled_from(
    [
        "1", "-17", "0xFF", "0b1010", "0o17", "1_000", "+1.5e3", "-inf", "nan", "true", "false",
        "2026-01-01", "2026-01-01 10:00:00", "2026-01-01T10:00:00.5Z", "10:00:00",
        '""', "''", '"a # b"', '"q\\" ] } ,"', "'c:\\x # \"'", '"tab\\t\\u00e9"', '"ü € 😀"',
        '"""\nmany\n  lines # no note\n"""', '"""two ""quotes"" """', '""""in quotes""""', '"""ends in two"""""',
        '"""\\\n   joined"""', "'''\nraw \\ \"lines\"\n'''", "''''in quotes''''", "'''ends in two'''''",
        '""""""', "''''''",
    ]
)  # fmt: skip
GAPS = st.sampled_from(["", " ", "\n", "\t", ' # note ] } "\n', "\r\n  "])
SPACES = st.sampled_from(["", " ", "\t "])


class _Writer:
    """Draws the parts of a document; every key is another one, so that none stands twice."""

    def __init__(self, draw: st.DrawFn) -> None:
        self.draw = draw
        self.numbers = count()

    def any_of(self, *choices: str) -> str:
        return self.draw(st.sampled_from(choices))

    def space(self) -> str:
        return self.any_of("", " ", "\t ")

    def gap(self) -> str:
        return self.any_of("", " ", "\n", "\t", ' # note ] } "\n', "\r\n  ")

    def times(self, most: int) -> range:
        return range(self.draw(st.integers(0, most)))

    def key(self) -> str:
        number = next(self.numbers)
        return self.any_of(f"k{number}", f"{number}", f'"k {number}"', f"'k.{number}'", f'"\\u006b-é{number}"')

    def dotted(self, keys: list[str]) -> str:
        return "".join(f".{self.space()}{key}{self.space()}" for key in keys).removeprefix(".")

    def value(self, depth: int) -> str:
        kind = self.draw(st.integers(0, 5)) if depth < 3 else 5
        if kind == 0:
            items = [self.gap() + self.value(depth + 1) + self.gap() for _ in self.times(3)]
            return f"[{','.join(items)}{self.any_of('', ',' if items else '')}{self.gap()}]"
        if kind == 1:
            return f"{{{','.join(self.pair(depth + 1) for _ in self.times(3))}{self.space()}}}"
        return self.draw(SCALARS)

    def pair(self, depth: int) -> str:
        keys = [self.key() for _ in range(self.draw(st.sampled_from([1, 1, 1, 2, 3])))]
        return f"{self.dotted(keys)}={self.space()}{self.value(depth)}{self.space()}"

    def lines(self, most: int) -> list[str]:
        return [self.space() + self.pair(0) + self.any_of("", " # note", "\t#", "\n") for _ in self.times(most)]

    def section(self, keys: list[str], brackets: int) -> list[str]:
        return [f"{self.space()}{'[' * brackets}{self.dotted(keys)}{']' * brackets}{self.space()}", *self.lines(2)]

    def sections(self) -> list[str]:
        """Return the lines of tables or lists of tables: a table before or after the one within, a list twice."""
        outer, inner = self.key(), self.key()
        shapes = self.draw(
            st.sampled_from(
                [
                    [([outer], 1), ([outer, inner], 1)],
                    [([outer, inner], 1), ([outer], 1)],
                    [([outer], 2), ([outer, inner], 1), ([outer], 2)],
                    [([outer], 2), ([outer, inner], 2), ([outer, inner], 2)],
                ]
            )
        )
        return [line for keys, brackets in shapes for line in self.section(keys, brackets)]


@st.composite
def documents(draw: st.DrawFn) -> str:
    """Return a valid TOML document: pairs, dotted keys, inline tables, arrays, tables and lists of tables."""
    writer = _Writer(draw)
    lines = [*writer.lines(3), *(line for _ in writer.times(3) for line in writer.sections())]
    return writer.any_of("\n", "\r\n").join(lines) + writer.any_of("", "\n")
