"""One edit of a config file in the file's own bytes, and the line it changes."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.configs.layout import QUOTED, ConfigLine, value_of
from pipeline.model.manifest import ConfigEdit

UTF8_MARK = b"\xef\xbb\xbf"


class EditError(ValueError):
    """A value cannot be changed; ``hint`` says what to do."""

    def __init__(self, what: str, hint: str = "") -> None:
        super().__init__(what)
        self.hint = hint


@dataclass(frozen=True, slots=True)
class WantedValue:
    """An edit, with its names and value as bytes in the file's own encoding."""

    section: bytes
    name: bytes
    value: bytes
    add: bool

    @property
    def where(self) -> str:
        """The section, for people."""
        return f"in section [{show(self.section)}]" if self.section else "before the first section"


def wanted_in(data: bytes, edit: ConfigEdit) -> WantedValue:
    """Return the edit in the encoding of a file; raises EditError for text that cannot stand in it.

    ASCII stands in any file that is not UTF-16. Other characters need a file that shows itself to be UTF-8: by its
    mark, or by characters that are valid UTF-8. In one that is plain ASCII so far, nobody can tell what they should be.
    """
    if data[:2] in (b"\xff\xfe", b"\xfe\xff") or _alternates(data[:64]):
        raise EditError(
            "the file is UTF-16; expected a text of single bytes or UTF-8", "save it as UTF-8 or ASCII first"
        )
    section, name, value = (_encoded(text, data) for text in (edit.section, edit.name, edit.value))
    return WantedValue(section, name, value, edit.add)


def changed(line: ConfigLine, wanted: WantedValue) -> bytes:
    """Return the text of a line with its value changed; raises EditError if it would be read differently."""
    value = value_of(line.text, wanted.name)
    if value is None:
        found = show(line.text.strip())
        what = f'line {line.number} reads "{found}", which may be a value, or a comment after an empty value'
        raise EditError(what, "write a value before the comment, or put quotes around the value, by hand first")
    inside = value.quoted and not QUOTED.fullmatch(wanted.value)
    text = line.text[: value.start + inside] + wanted.value + line.text[value.end - inside :]
    quote = line.text[value.start : value.start + inside]
    if not reads(text, wanted.name, quote + wanted.value + quote, quoted=inside):
        raise cannot_stand(wanted, text)
    return text


def reads(text: bytes, name: bytes, value: bytes, *, quoted: bool = False) -> bool:
    """Return whether a line gives exactly this value to the key, in quotes where it must be."""
    found = value_of(text, name)
    return found is not None and text[found.start : found.end] == value and (found.quoted or not quoted)


def cannot_stand(wanted: WantedValue, text: bytes) -> EditError:
    """Return the error for a value that does not come out of its line as it went in."""
    value, name, line = map(show, (wanted.value, wanted.name, text.strip()))
    what = f'"{value}" cannot be the value of "{name}": "{line}" would be read differently'
    return EditError(what, "write the value in quotes, if the board understands them")


def show(text: bytes) -> str:
    """Return bytes of a file for people; what is not UTF-8 shows as a replacement character."""
    return text.decode("utf-8", "replace")


def _encoded(text: str, data: bytes) -> bytes:
    control = next((mark for mark in text if (mark < " " and mark != "\t") or mark == "\x7f"), "")
    if control:
        raise EditError(f"{text!r} has the control character U+{ord(control):04X}; expected one line of plain text")
    if not text.isascii() and not _is_utf8(data):
        raise EditError(f'"{text}" is not ASCII, and the file does not show which encoding it has', "use ASCII")
    return text.encode("utf-8")


def _is_utf8(data: bytes) -> bool:
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return not data.isascii()


def _alternates(start: bytes) -> bool:
    """Return whether every second byte is zero, as in UTF-16 without a mark."""
    return len(start) > 1 and not (any(start[0::2]) and any(start[1::2]))
