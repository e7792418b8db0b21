"""The encodings of config files and menus."""

from __future__ import annotations

ENCODINGS = ("ascii", "latin-1", "cp437", "cp850", "utf-8")


def lacking(text: str, encoding: str) -> str:
    """Return the first character of a text that an encoding does not have, "" when it has all."""
    try:
        text.encode(encoding)
    except UnicodeEncodeError as error:
        return text[error.start]
    return ""


def encodings_with(text: str) -> list[str]:
    """Return the encodings that have every character of a text."""
    return [encoding for encoding in ENCODINGS if not lacking(text, encoding)]
