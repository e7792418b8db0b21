"""Names and texts from outside made safe to show; imports nothing, since every message needs it."""

from __future__ import annotations

SHORT_ESCAPES = {"\b": "\\b", "\t": "\\t", "\n": "\\n", "\f": "\\f", "\r": "\\r"}


def shown(name: object) -> str:
    r"""Return a name from outside as one line that is safe on a terminal and in a log; HTML needs its own escapes too.

    Use it for every name, path, label or argument that the program did not make itself, before it goes into a message
    or an output for people: ``f"{shown(path)} is a folder"``. ``name``: text, bytes (read as UTF-8) or anything with a
    ``str``, such as a path. Never use it on what is looked up, compared, hashed or written to a card.

    Control characters and escape sequences, direction marks and other format characters, line and paragraph
    separators, blanks other than U+0020, unassigned and private characters, and bytes that are no UTF-8 (lone
    surrogates) come back as escapes of TOML: ``\n``, ``\u001b``, ``\U000e0001``, ``\udcff``. All else, a backslash
    included, stays as it is, so that what is shown can be shown again. The result can always be encoded as UTF-8.

    Source of the kinds of characters: The Unicode Standard, chapter 4, "General Category" (C*, Z*); of the escapes:
    TOML 1.0.0, "String". POSIX file names are any bytes but NUL and "/" (POSIX.1-2017, 3.170).
    """
    text = name.decode("utf-8", "surrogateescape") if isinstance(name, bytes) else str(name)
    return text if text.isprintable() else "".join(c if c.isprintable() else _escape(c) for c in text)


def _escape(character: str) -> str:
    code = ord(character)
    return SHORT_ESCAPES.get(character) or (f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}")
