"""A config file's bytes as lines and sections, without losing one byte.

There is no standard for such files. What is common to them is read, and nothing more (common practice): ``[section]``
heads, ``key = value`` or ``key: value``, notes that begin with ``;``, ``#`` or ``//``, and notes behind a value, which
begin with ``;`` or ``#`` after a space or tab.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import NamedTuple

BLANK = b" \t"
NOTE = re.compile(rb"[ \t]*(?:[;#]|//)")
HEAD = re.compile(rb"[ \t]*\[([^\]]*\]*)\][ \t]*(?:[;#].*)?", re.DOTALL)
SEPARATOR = re.compile(rb"[=:][ \t]*")
NOTE_BEHIND = re.compile(rb"(?<=[ \t])[;#]")
QUOTED = re.compile(rb"\"[^\"]*\"(?=[ \t]*\Z|[ \t]+[;#])|'[^']*'(?=[ \t]*\Z|[ \t]+[;#])", re.DOTALL)


class ConfigLine(NamedTuple):
    """One line: its number from 1, the offset it begins at, its text and its line ending (b"" at the end)."""

    number: int
    start: int
    text: bytes
    ending: bytes

    @property
    def end(self) -> int:
        """The offset behind the line and its ending."""
        return self.start + len(self.text) + len(self.ending)

    @property
    def is_blank(self) -> bool:
        """Whether it holds nothing but spaces and tabs."""
        return not self.text.strip(BLANK)


class Section(NamedTuple):
    """A section: its name, the line of its head (None before any head), and the lines below it."""

    name: bytes
    head: ConfigLine | None
    lines: Sequence[ConfigLine]


class ConfigKey(NamedTuple):
    """A key of a line: what stands before it, its name, and its separator with the spaces around it."""

    before: bytes
    name: bytes
    separator: bytes


class Value(NamedTuple):
    """Where a value stands in the text of its line, quotes included, and whether it has any."""

    start: int
    end: int
    quoted: bool


def lines_of(data: bytes, start: int = 0) -> Iterator[ConfigLine]:
    """Yield the lines from an offset on; LF, CR LF and CR end a line, also mixed."""
    for number, whole in enumerate(data[start:].splitlines(keepends=True), 1):
        text = whole.rstrip(b"\r\n")
        yield ConfigLine(number, start, text, whole[len(text) :])
        start += len(whole)


def sections_of(lines: Sequence[ConfigLine]) -> list[Section]:
    """Return the sections in order; the first is the part before any head, named b""."""
    heads = [(index, match[1].strip(BLANK)) for index, line in enumerate(lines) if (match := HEAD.fullmatch(line.text))]
    ends = [index for index, _ in heads[1:]] + [len(lines)]
    first = Section(b"", None, lines[: heads[0][0] if heads else len(lines)])
    return [first] + [
        Section(name, lines[index], lines[index + 1 : end]) for (index, name), end in zip(heads, ends, strict=False)
    ]


def key_of(line: ConfigLine) -> ConfigKey | None:
    """Return the key a line gives a value to, None where it is a note, blank, or something else."""
    separator = None if NOTE.match(line.text) else SEPARATOR.search(line.text)
    before = line.text[: separator.start()] if separator else b""
    name = before.strip(BLANK)
    if separator is None or not name:
        return None
    start = len(before) - len(before.lstrip(BLANK))
    return ConfigKey(before[:start], name, line.text[start + len(name) : separator.end()])


def has_key(line: ConfigLine, name: bytes) -> bool:
    """Return whether a line gives a value to this key, which may itself hold "=" or ":"."""
    return not NOTE.match(line.text) and bool(_named(name).match(line.text))


def value_of(text: bytes, name: bytes) -> Value | None:
    """Return where the value of a line with this key stands.

    None where there is no such key, and where a note follows the separator at once: nobody can tell whether it is a
    note behind no value, or a value that begins so ("= #FF8000").
    """
    match = _named(name).match(text)
    if match is None:
        return None
    start = match.end()
    if quoted := QUOTED.match(text, start):
        return Value(start, quoted.end(), quoted=True)
    if match[0][-1:] in (b" ", b"\t") and text[start : start + 1] in (b";", b"#"):
        return None
    note = NOTE_BEHIND.search(text, start)
    end = len(text[: note.start() if note else len(text)].rstrip(BLANK))
    return Value(start, max(start, end), quoted=False)


def _named(name: bytes) -> re.Pattern[bytes]:
    return re.compile(rb"[ \t]*" + re.escape(name) + rb"[ \t]*[=:][ \t]*")
