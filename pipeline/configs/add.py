"""A key, or a section with a key, that a config file does not have yet, in the file's own style."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.configs.change import EditError, WantedValue, cannot_stand, reads, show
from pipeline.configs.layout import ConfigKey, ConfigLine, Section, key_of, sections_of


def new_key(lines: Sequence[ConfigLine], section: Section, start: int, wanted: WantedValue) -> tuple[int, bytes]:
    """Return the offset for a new key and its bytes: at the end of its section, before blank lines that follow it.

    Spaces and separator are those of the last key of the section, else of the file. ``start``: where the text begins.
    """
    inside = [line for line in (section.head, *section.lines) if line and not line.is_blank]
    return _insertion(lines, inside[-1] if inside else None, start, [_key_line([*lines, *section.lines], wanted)])


def new_section(lines: Sequence[ConfigLine], start: int, wanted: WantedValue) -> tuple[int, bytes]:
    """Return the offset for a new section with one key and its bytes: at the end of the file.

    A blank line stands before it, unless the file has a head with none before it.
    """
    head = ConfigLine(1, 0, b"[" + wanted.section + b"]", b"")
    if [section.name for section in sections_of([head])] != [b"", wanted.section]:
        raise EditError(
            f'"{show(wanted.section)}" cannot be a section: the head {show(head.text)} would be read differently'
        )
    full = [line for line in lines if not line.is_blank]
    dense = any(section.head in lines[1:] and not _blank_before(lines, section.head) for section in sections_of(lines))
    texts = [head.text, _key_line(lines, wanted)]
    return _insertion(lines, full[-1] if full else None, start, texts if dense or not full else [b"", *texts])


def _blank_before(lines: Sequence[ConfigLine], head: ConfigLine | None) -> bool:
    return head is not None and lines[head.number - 2].is_blank


def _key_line(like: Sequence[ConfigLine], wanted: WantedValue) -> bytes:
    """Return the line for a key and value, with the spaces and separator of the last line that has a key."""
    before, _, separator = next(filter(None, map(key_of, reversed(like))), ConfigKey(b"", b"", b"="))
    text = before + wanted.name + separator + wanted.value
    read = key_of(ConfigLine(1, 0, text, b""))
    if read is None or read.name != wanted.name or wanted.name.startswith(b"["):
        raise EditError(
            f'"{show(wanted.name)}" cannot be a key: the line "{show(text.strip())}" would be read differently'
        )
    if not reads(text, wanted.name, wanted.value):
        raise cannot_stand(wanted, text)
    return text


def _insertion(
    lines: Sequence[ConfigLine], after: ConfigLine | None, start: int, texts: Sequence[bytes]
) -> tuple[int, bytes]:
    """Return the offset behind a line (None: the start of the text) and the new lines, with the endings used there.

    Where the line in front has no ending, being the last, the new last line has none either.
    """
    endings = [line.ending for line in lines if line.ending] or [b"\n"]
    if after is None:
        return start, b"".join(text + endings[0] for text in texts)
    if after.ending:
        return after.end, b"".join(text + after.ending for text in texts)
    return after.end, b"".join(endings[-1] + text for text in texts)
