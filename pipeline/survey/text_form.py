"""How small text files are written: their encoding and their line endings, as far as their bytes show them."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

EIGHT_BIT = ("latin-1", "cp437", "cp850")
"""Encodings of one byte a character; the first of those that read alike is taken."""

ENDINGS = {"crlf": "\r\n", "lf": "\n", "cr": "\r"}

MARKS = "\u00a0\u00a1\u00a2\u00a3\u00a5\u00a7\u00a9\u00aa\u00ab\u00ae\u00b0\u00b1\u00b2\u00b3\u00b7\u00ba\u00bb\u00bf"
"""Signs beyond ASCII that stand in names and prose of Latin script, but not within a word."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TextForm:
    """How texts are written.

    ``encoding``: "" where several read the bytes equally well; ``readings``: then a word in each of them.
    ``line_ending``: "lf", "crlf" or "cr"; "" where the texts mix them. ``is_shown``: whether a line ends at all.
    ``final_line_ending``: whether the last line of most of them ends too. ``beyond_ascii``: a word with characters
    beyond ASCII, as the encoding reads it.
    """

    encoding: str
    line_ending: str
    final_line_ending: bool
    is_shown: bool = True
    readings: Mapping[str, str] | None = None
    beyond_ascii: str = ""


def text_form(texts: Iterable[bytes]) -> TextForm:
    """Return how texts are written that are all written alike."""
    texts = list(texts)
    encoding, readings, word = _encoding(b"\n".join(texts))
    endings = {ending for text in texts for ending in _endings(text)}
    final = sum(text.endswith((b"\n", b"\r")) for text in texts)
    return TextForm(
        encoding=encoding,
        line_ending=next(iter(endings), "lf") if len(endings) < 2 else "",
        final_line_ending=2 * final > len(texts),
        is_shown=bool(endings),
        readings=readings,
        beyond_ascii=word,
    )


def lines_of_text(text: bytes, form: TextForm) -> list[str]:
    """Return the lines of one of the texts that a form was found in."""
    lines = text.decode(form.encoding or "latin-1").split(ENDINGS[form.line_ending or "lf"])
    return lines[:-1] if lines[-1] == "" else lines


def _endings(text: bytes) -> set[str]:
    rest = text.replace(b"\r\n", b"")
    kinds = {"crlf": b"\r\n" in text, "lf": b"\n" in rest, "cr": b"\r" in rest}
    return {kind for kind, found in kinds.items() if found}


def _encoding(data: bytes) -> tuple[str, Mapping[str, str] | None, str]:
    """Return the encoding, else a reading in each that may be it; and a word that shows it.

    Bytes beyond ASCII that are valid UTF-8 are hardly ever anything else (common practice). In encodings of one byte a
    character, a reading counts where each such character is a Latin letter that fits its neighbours, or a mark that
    stands in names and prose.
    """
    if data.isascii():
        return "ascii", None, ""
    try:
        return "utf-8", None, _word(data.decode("utf-8"))
    except UnicodeDecodeError:
        pass
    texts = {name: data.decode(name) for name in EIGHT_BIT}
    readings = {name: text for name, text in texts.items() if _reads(text)} or texts
    words = list(zip(*(text.split() for text in readings.values()), strict=False))
    different = next((word for word in words if len(set(word)) > 1), ())
    if not different:
        name, text = next(iter(readings.items()))
        return name, None, _word(text)
    return "", dict(zip(readings, different, strict=True)), ""


def _word(text: str) -> str:
    """Return the first word with a character beyond ASCII."""
    return next((word for word in text.split() if not word.isascii()), "")


def _reads(text: str) -> bool:
    padded = f" {text} "
    return all(
        character.isascii() or _stands(before, character, after)
        for before, character, after in zip(padded, text, padded[2:], strict=False)
    )


def _stands(before: str, character: str, after: str) -> bool:
    """Whether a character beyond ASCII can stand between two others."""
    if character in MARKS:
        return not (before.isalpha() and after.isalpha())
    is_latin = unicodedata.name(character, "").startswith("LATIN")
    return is_latin and not (character.isupper() and before.islower())
