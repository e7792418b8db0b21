"""What differs between two texts: config values by section and key, other lines as they stand."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Mapping, Sequence

from pipeline.configs.layout import key_of, lines_of, sections_of, value_of

LARGEST = 1 << 16
"""Bytes of a text at most; config files are small, and nobody reads more."""

CONTROL = bytes(set(range(32)) - set(b"\t\n\r\x1a")) + b"\x7f"

Key = tuple[str, str, int]
"""Section, key, and which of those of the same name it is, from 0."""


def is_text(data: bytes) -> bool:
    """Whether bytes are a short text: no control characters but tab, line ends and Ctrl-Z."""
    return len(data) <= LARGEST and not data.translate(None, bytes(set(range(256)) - set(CONTROL)))


def text_changes(old: bytes, new: bytes) -> Iterator[str]:
    """Yield a line for each value that differs ("[input] port: 0 -> 1"), then for each other line that does.

    Nothing is yielded where one of them is not text. Bytes beyond ASCII are shown as Latin-1, whatever they mean.
    """
    if not (is_text(old) and is_text(new)):
        return
    (before, lines), (after, lines_after) = _values(old), _values(new)
    changes = [*_changed(before, after), *_moved(lines, lines_after), *_ends(old, new)]
    yield from changes or (["only spaces or line ends differ"] if old != new else [])


def _changed(before: Mapping[Key, str], after: Mapping[Key, str]) -> Iterator[str]:
    for key in dict.fromkeys((*before, *after)):
        section, name, _ = key
        start = f"[{section}] {name}" if section else name
        if key not in after:
            yield f"{start}: removed, was {before[key]}"
        elif key not in before:
            yield f"{start}: added, {after[key]}"
        elif before[key] != after[key]:
            yield f"{start}: {before[key]} -> {after[key]}"


def _moved(lines: Sequence[str], lines_after: Sequence[str]) -> Iterator[str]:
    for line in difflib.ndiff(lines, lines_after):
        if line[0] == "-":
            yield f"line removed: {line[2:]}"
        elif line[0] == "+":
            yield f"line added: {line[2:]}"


def _values(data: bytes) -> tuple[dict[Key, str], list[str]]:
    """Return the values by key, and all lines that give no value: heads, notes, menu lines."""
    values: dict[Key, str] = {}
    plain_lines = []
    for section in sections_of(list(lines_of(data))):
        plain_lines += [_shown(section.head.text)] if section.head else []
        for line in section.lines:
            key = key_of(line)
            value = value_of(line.text, key.name) if key else None
            if key is None or value is None:
                plain_lines.append(_shown(line.text))
                continue
            number = 0
            while (name := (_shown(section.name), _shown(key.name), number)) in values:
                number += 1
            values[name] = _shown(line.text[value.start : value.end])
            rest = _shown(line.text[value.end :]).strip()
            plain_lines += [rest] if rest else []
    return values, plain_lines


def _ends(old: bytes, new: bytes) -> Iterator[str]:
    """Yield that line ends differ, where that is all there is to see of it."""
    ends = [sorted({line.ending for line in lines_of(data) if line.ending}) for data in (old, new)]
    if ends[0] != ends[1]:
        before, after = (", ".join(NAMES[end] for end in side) or "none" for side in ends)
        yield f"line ends: {before} -> {after}"


NAMES = {b"\n": "LF", b"\r\n": "CR LF", b"\r": "CR"}


def _shown(text: bytes) -> str:
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text.decode("latin-1"))
