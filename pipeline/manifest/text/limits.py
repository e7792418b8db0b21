"""Bounds on a TOML text, looked at before it is parsed.

The readers of TOML take time and memory with the square of a key's parts, and a few hundred bytes for every value.
"""

from __future__ import annotations

import re

DEEPEST = 24
"""Tables and lists within each other; no manifest needs as many."""

TOO_DEEP = f"tables and lists more than {DEEPEST} deep within each other"

MOST = 100_000
"""Keys, list items and table heads of one manifest; no manifest needs as many."""

LONGEST = 4300
"""Characters of a number or of a bare key; more digits Python does not read, and reading them takes 100 bytes each."""

ENOUGH = 1000
"""Problems of each kind after which a manifest is not looked at further."""

TOO_MANY = f"more than {MOST:,} keys and list items"

WORD = re.compile(r"\S+")

MARK = re.compile(
    r'"{3}(?:\\.|[^\\])*?(?:"{3,5}|\\?\Z)'
    r"|'{3}.*?(?:'{3,5}|\Z)"
    r'|"(?:\\.|[^"\\\n])*"?'
    r"|'[^'\n]*'?"
    r"|#[^\n]*|[][{}.,=\n]",
    re.DOTALL,
)
"""Strings, comments and the characters that give a text its structure; a string left open ends where it must."""


def excess(text: str) -> tuple[int, str] | None:
    """Return where a text goes beyond what any manifest needs, and how; None when it does not.

    The first is an offset. Takes time linear in the text, TOML or not. Text within strings and comments counts for
    nothing.
    """
    depth = parts = values = end = 0
    for match in MARK.finditer(text):
        if match.start() - end > LONGEST and (word := _too_long(text, end, match.start())):
            return word
        end = match.end()
        mark = match[0]
        if mark == ".":
            parts += 1
        elif mark in "\n,=[]{}":
            parts = 0
            values += mark in ",=["
            depth += (mark in "[{") - (mark in "]}")
        if max(depth, parts) >= DEEPEST:
            return match.start(), TOO_DEEP
        if values > MOST:
            return match.start(), TOO_MANY
    return _too_long(text, end, len(text))


def _too_long(text: str, start: int, end: int) -> tuple[int, str] | None:
    """Return where a number or bare key between two marks is too long, and how; None where none is."""
    words = (word for word in WORD.finditer(text, start, end) if len(word[0]) > LONGEST)
    return next(((word.start(), f"a number or key of {len(word[0]):,} characters") for word in words), None)


def is_suspect(text: str) -> bool:
    """Whether a text could be beyond the bounds: told in a moment, and of nearly no manifest."""
    return len(text) > MOST or (text.count(".") >= DEEPEST and any(line.count(".") >= DEEPEST for line in lines(text)))


def lines(text: str) -> list[str]:
    """Return the lines of a TOML text; no other character ends one."""
    return text.split("\n")
