"""Random titles of every shape TOML allows, pinned: what they say, and every byte that is not pinned."""

from __future__ import annotations

import copy
import tomllib
from itertools import count
from typing import Any

from hypothesis import event, given
from hypothesis import strategies as st

from pipeline.errors import ManifestError
from pipeline.manifest.edit.pin import Pinned
from pipeline.manifest.edit.pinnable import KeyPath, fields
from pipeline.manifest.text.positions import Positions, spell
from pipeline.model.units import parse_size
from tests.unit.manifest.pinning import ABC, OTHER, pinned
from tests.unit.manifest.toml_texts import SCALARS

QUOTED = st.sampled_from(['"{}"', "'{}'", '"""{}"""', "'''{}'''"])
EQUALS = st.sampled_from(["=", " = ", "  =\t", "   = "])
NOTES = st.sampled_from(["", "  # note = { ü", "\t#", " # [[rom]]"])
BLANKS = st.sampled_from([[], [], [""], ["", "# [chips.zz]"], ["   "], ["# größe = 1"]])


class _Manifest:
    """Draws a title's lines; ``ways`` are the tables in it that can be pinned."""

    def __init__(self, draw: st.DrawFn) -> None:
        self.draw = draw
        self.numbers = count()
        self.ways: list[KeyPath] = []

    def value(self, name: str) -> str:
        if name == "size":
            return self.draw(st.sampled_from(["4096", '"4 KiB"', "0x10", "'9 B'", '""', '"?"', "1.5"]))
        digits = st.sampled_from([ABC, OTHER, "", "352441c2", "352441C2", "ÿ"])
        return self.draw(QUOTED).format(self.draw(digits))

    def pairs(self, path: str = "") -> list[str]:
        names = self.draw(st.lists(st.sampled_from(["size", "sha256", "crc32", "part"]), unique=True))
        values = [(name, self.draw(SCALARS) if name == "part" else self.value(name)) for name in names]
        values = [("path", path), *values] if path else values
        return [f"{name}{self.draw(EQUALS)}{value}" for name, value in values]

    def name(self) -> str:
        return f"{self.draw(st.sampled_from(['c', '6', 'A-', '_']))}{next(self.numbers)}"

    def inline(self) -> str:
        flat = [pair for pair in self.pairs() if "\n" not in pair]
        return f"{{{self.draw(st.sampled_from(['', ' ']))}{', '.join(flat)} }}"

    def lines(self, pairs: list[str], before: str = "") -> list[str]:
        indent = self.draw(st.sampled_from(["", "", "  ", "\t"]))
        return [line for pair in pairs for line in [f"{indent}{before}{pair}{self.draw(NOTES)}", *self.draw(BLANKS)]]

    def root(self) -> list[str]:
        lines = ["#:schema", *self.draw(BLANKS), *self.lines(['name = "M"'])]
        form = self.draw(st.sampled_from(["none", "dotted", "inline", "heads", "heads"]))
        if form == "dotted":
            name = self.name()
            found = self.lines(self.pairs() or ["part = 1"], f"chips.{name}.")
            lines += found
            self.ways.append(("chips", name))
        if form == "inline":
            names = [self.name() for _ in range(self.draw(st.integers(0, 3)))]
            lines += self.lines([f"chips = {{{', '.join(f'{name} = {self.inline()}' for name in names)}}}"])
            self.ways += [("chips", name) for name in names]
        return lines + (self.heads() if form == "heads" else [])

    def heads(self) -> list[str]:
        lines = []
        if self.draw(st.booleans()):
            name = self.name()
            lines += [*self.lines(["[chips]"]), *self.lines([f"{name} = {self.inline()}"])]
            self.ways.append(("chips", name))
        for _ in range(self.draw(st.integers(0, 3))):
            name = self.name()
            lines += [*self.lines([f"[ chips.{name}]"]), *self.lines(self.pairs())]
            self.ways.append(("chips", name))
        return lines

    def lists(self) -> list[str]:
        lines = []
        for group in self.draw(st.permutations(["rom", "files", "rights"])):
            if group == "rights":
                lines += [*self.lines(["[rights]"]), *self.lines([f"licence = {self.draw(SCALARS)}"])]
                continue
            for number in range(self.draw(st.integers(0, 2))):
                lines += [*self.lines([f"[[{group}]]"]), *self.lines(self.pairs(f'"P{number}"'))]
                lines += self.lines([f"[[{group}.steps]]", "size = 3"]) if self.draw(st.booleans()) else []
                self.ways.append((group, number))
        return lines


@st.composite
def cases(draw: st.DrawFn) -> tuple[str, list[KeyPath]]:
    """Return the text of a title, and ways to pin: some of what is there, and perhaps new chips."""
    manifest = _Manifest(draw)
    ending = draw(st.sampled_from(["\n", "\r\n"]))
    text = ending.join([*manifest.root(), *manifest.lists()]) + draw(st.sampled_from(["", ending, ending * 3]))
    ways = draw(st.lists(st.sampled_from(manifest.ways), unique=True)) if manifest.ways else []
    return text, ways + draw(st.sampled_from([[], [("chips", "new")], [("chips", "new.1"), ("chips", "new-2")]]))


def meant(text: str, ways: list[KeyPath], *, crc32: bool) -> Any:
    """Return what the text must say afterwards, with sizes as numbers wherever one is pinned."""
    data = copy.deepcopy(tomllib.loads(text))
    for way in ways:
        table: Any = data
        for part in way:
            table = table.setdefault(part, {}) if isinstance(part, str) else table[part]
        for name in fields(way):
            if name != "crc32" or crc32 or name in table:
                table[name] = {"size": 4096, "sha256": ABC, "crc32": "352441c2"}[name]
    return data


def said(text: str, ways: list[KeyPath]) -> Any:
    """Return what a text says, in the same form."""
    data = tomllib.loads(text)
    for way in ways:
        table: Any = data
        for part in way:
            table = table[part]
        table["size"] = parse_size(table["size"])
        table |= {name: table[name].lower() for name in fields(way)[1:] if name in table}
    return data


def undone(result: Pinned, before: str, ways: list[KeyPath]) -> str:
    """Return the new text with every pinned value put back or taken out again, from the last to the first."""
    text, old, new = result.text, Positions(before), Positions(result.text)
    steps: list[tuple[int, int, str]] = []
    for way in ways:
        table = new.spot(way)
        for name in result.written[way]:
            spot = table.inner[name]
            if way not in result.added and name in old.spot(way).inner:
                steps.append((spot.value, spot.end, old.raw((*way, name))))
                continue
            start = text.rfind("\n", 0, spot.key)
            if "{" in text[start + 1 : spot.key]:
                steps.append((text.rindex(",", 0, spot.key), spot.end, ""))
            else:
                steps.append((start - text[:start].endswith("\r"), spot.end, ""))
        if way in result.added:  # its head, with the blank line above
            lines = text[: table.value].splitlines(keepends=True)
            indent = 0 if lines[-1].endswith("\n") else len(lines.pop())
            size = len(lines[-1]) + len(lines[-2]) - len(lines[-2].rstrip("\r\n"))
            steps.append((table.value - indent - size, table.end, ""))
    for start, end, raw in sorted(steps, reverse=True):
        text = text[:start] + raw + text[end:]
    return text


def is_inline(text: str, way: KeyPath) -> bool:
    """Whether a table stands in braces, or is to be added to one that does."""
    positions = Positions(text)
    return any(text[positions.spot(way[:end]).value] == "{" for end in range(1, len(way) + 1))


@given(cases(), st.booleans())
def test_pinning_changes_what_is_pinned_and_no_other_byte(case: tuple[str, list[KeyPath]], crc32: bool) -> None:
    text, ways = case
    try:
        result = pinned(text, *ways, replacing=True, crc32=crc32)
    except ManifestError as error:
        refused = {problem.place.key for problem in error.problems}
    else:
        refused = set()
    event(f"refused: {bool(refused)}")
    assert refused <= {spell(way) for way in ways if is_inline(text, way)}
    if refused:
        return
    assert repr(sorted_keys(said(result.text, ways))) == repr(sorted_keys(meant(text, ways, crc32=crc32)))
    assert undone(result, text, ways) == text


@given(cases())
def test_pinning_again_writes_nothing(case: tuple[str, list[KeyPath]]) -> None:
    text, ways = case
    try:
        first = pinned(text, *ways, replacing=True, crc32=True)
    except ManifestError:
        return
    again = pinned(first.text, *ways, crc32=True)
    assert again.text == first.text
    assert not any(again.written.values())


def sorted_keys(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: sorted_keys(value[name]) for name in sorted(value)}
    return [sorted_keys(inner) for inner in value] if isinstance(value, list) else value
