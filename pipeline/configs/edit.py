"""Changes one value in an existing config file and keeps every other byte."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from pipeline.configs.add import new_key, new_section
from pipeline.configs.change import UTF8_MARK, EditError, WantedValue, changed, show, wanted_in
from pipeline.configs.layout import ConfigLine, Section, has_key, key_of, lines_of, sections_of
from pipeline.model.manifest import ConfigEdit
from pipeline.model.text import nearest, shown

__all__ = ["EditError", "edit_value"]

END_OF_TEXT = b"\x1a"
"""Ctrl-Z, which ends a text on CP/M and DOS; whatever is added goes before it."""

ADD = "add = true lets it be added"
BY_HAND = "edit the file by hand so that it is in it once"


def edit_value(data: bytes, edit: ConfigEdit) -> bytes:
    """Return the file with one value changed: all bytes before and behind it are those of ``data``.

    The value is what stands between the separator and a note behind it or the end of the line, without the spaces
    around it. Where it stands in quotes, what is between them is changed, unless the new value brings its own.
    Section and key are compared exactly. With ``add``, a key that is missing goes to the end of its section, a
    section that is missing to the end of the file, in the file's own style and with its own line ending.

    Raises EditError where section or key is missing or stands there twice, where the value would not read as it is
    meant, for UTF-16, and for text that is not ASCII in a file that does not show its encoding.
    """
    wanted = wanted_in(data, edit)
    start = len(UTF8_MARK) if data.startswith(UTF8_MARK) else 0
    lines = list(lines_of(data.rstrip(END_OF_TEXT), start))
    sections = sections_of(lines)
    section = _section(sections, wanted)
    line = _line(section, sections, wanted) if section else None
    if line:
        return data[: line.start] + changed(line, wanted) + data[line.start + len(line.text) :]
    at, added = new_key(lines, section, start, wanted) if section else new_section(lines, start, wanted)
    return data[:at] + added + data[at:]


def _section(sections: Sequence[Section], wanted: WantedValue) -> Section | None:
    """Return the section that is meant, None where it is to be added."""
    if not wanted.section:
        return sections[0]
    found = [section for section in sections[1:] if section.name == wanted.section]
    if len(found) > 1:
        where = _numbers(section.head for section in found)
        raise EditError(f"section [{show(wanted.section)}] is in lines {where}; expected once", BY_HAND)
    if found or wanted.add:
        return found[0] if found else None
    hint = _near(wanted.section, [(section.name, section.head) for section in sections[1:]])
    raise EditError(f"no section [{show(wanted.section)}]", hint or ADD)


def _line(section: Section, sections: Sequence[Section], wanted: WantedValue) -> ConfigLine | None:
    """Return the line of the key that is meant, None where it is to be added."""
    found = [line for line in section.lines if has_key(line, wanted.name)]
    if len(found) > 1:
        what = f'key "{show(wanted.name)}" is in lines {_numbers(found)} {wanted.where}; expected once'
        raise EditError(what, BY_HAND)
    if found or wanted.add:
        return found[0] if found else None
    hint = _near(wanted.name, [(key.name, line) for line in section.lines if (key := key_of(line))]) or _elsewhere(
        sections, wanted.name
    )
    raise EditError(f'no key "{show(wanted.name)}" {wanted.where}', hint or ADD)


def _near(word: bytes, known: Iterable[tuple[bytes, ConfigLine | None]]) -> str:
    """Return a hint at the name that was probably meant, "" where none is near."""
    names = {show(name): line.number for name, line in known if line}
    near = nearest(show(word), names)
    exact = "; names are compared exactly" if near.lower() == show(word).lower() else ""
    return f'line {names[near]} has "{shown(near)}"{exact}' if near else ""


def _elsewhere(sections: Sequence[Section], name: bytes) -> str:
    """Return a hint at another section that has the key, "" where none has."""
    found = [(section, line) for section in sections for line in section.lines if has_key(line, name)]
    if not found:
        return ""
    section, line = found[0]
    where = f"in section [{show(section.name)}]" if section.head else "before the first section"
    return f"line {line.number} has it, {where}"


def _numbers(lines: Iterable[ConfigLine | None]) -> str:
    numbers = [str(line.number) for line in lines if line]
    return f"{', '.join(numbers[:-1])} and {numbers[-1]}"
