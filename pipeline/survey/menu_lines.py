"""What varies between the lines that name cores: template lines with the fields {core}, {name}, {release}, {kind}."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from pipeline.survey.core_places import FIELD, escaped

CORE_MARK = "\0"
DIVIDER = re.compile(r"(\0|[:=;|,\t()\[\]<>\"\ufeff]+)")
"""What stands between the parts of a line (common practice), and the core's own name."""

RELEASE = re.compile(r"[vVrR]?\d[\w.-]*")
KIND = re.compile("[a-z0-9]+(-[a-z0-9]+)*")

Lines = Mapping[str, Sequence[str]]
"""The lines that name a core, by the core's name on the card; as many for each."""


def template_lines(lines: Lines) -> tuple[list[str], str]:
    """Return template lines, and "" or why they are not certain.

    What is the same in the lines of all cores is plain text. What varies is the core's name on the card, or its name as
    people read it; beside a name it may be a release or a kind, by its form. With a single core nothing is seen to
    vary: then one line that is not the core's name on the card is taken for the name.
    """
    count = len(next(iter(lines.values())))
    parts = [_parts({core: text[number] for core, text in lines.items()}) for number in range(count)]
    if len(lines) == 1:
        return _of_one_core(parts)
    varying = dict.fromkeys(part for line in parts for part in line if isinstance(part, tuple))
    fields, doubt = _fields(list(varying))
    return ["".join(part if isinstance(part, str) else fields[part] for part in line) for line in parts], doubt


def _of_one_core(parts: Sequence[Sequence[str | tuple[str, ...]]]) -> tuple[list[str], str]:
    lines = ["".join(part if isinstance(part, str) else part[0] for part in line) for line in parts]
    plain = [number for number, line in enumerate(lines) if FIELD not in line and line.strip()]
    if len(plain) == 1:
        lines[plain[0]] = "{name}"
    doubt = f"{len(plain)} lines may carry the name" if len(plain) > 1 else ""
    return lines, doubt


def _fields(varying: Sequence[tuple[str, ...]]) -> tuple[dict[tuple[str, ...], str], str]:
    """Return the field for each part that varies, and "" or why that is not certain."""
    if len(varying) == 1:
        return {varying[0]: "{name}"}, ""
    releases = [part for part in varying if all(map(RELEASE.fullmatch, part))]
    kinds = [part for part in varying if part not in releases and all(map(KIND.fullmatch, part))]
    unclassified = [part for part in varying if part not in releases and part not in kinds]
    fields = dict.fromkeys(unclassified, "{name}")
    fields |= dict.fromkeys(releases, "{release}") | dict.fromkeys(kinds, "{kind}")
    if varying and (len(unclassified) != 1 or len(releases) > 1 or len(kinds) > 1):
        return fields, f"{len(varying)} parts vary, and it is not certain what each of them is"
    return fields, ""


def _parts(lines: Mapping[str, str]) -> list[str | tuple[str, ...]]:
    """Return the parts of a line: plain text in template form, or what varies, as the text of each core in turn."""
    split = [DIVIDER.split(_marked(line, core)) for core, line in lines.items()]
    before = _same(split)
    after = min(_same([row[::-1] for row in split]), min(len(row) // 2 for row in split) - before)
    columns = [[row[at] for row in split] for at in range(2 * before)]
    columns.append(["".join(row[2 * before : len(row) - 2 * after]) for row in split])
    columns += [[row[len(row) - at] for row in split] for at in range(2 * after, 0, -1)]
    parts: list[str | tuple[str, ...]] = []
    for column in columns:
        if set(column) == {CORE_MARK}:
            parts.append(FIELD)
        else:
            parts += _part([text.replace(CORE_MARK, core) for text, core in zip(column, lines, strict=True)])
    return parts


def _marked(line: str, core: str) -> str:
    """Return a line with the core's name on the card marked where it stands as a word of its own."""
    return re.sub(rf"(?<![\w-]){re.escape(core)}(?![\w-])", CORE_MARK, line)


def _same(split: Sequence[Sequence[str]]) -> int:
    """Return how many dividers from the front on are the same in all lines."""
    rows = [row[1::2] for row in split]
    return next((at for at, row in enumerate(zip(*rows)) if len(set(row)) > 1), min(map(len, rows)))  # noqa: B905


def _part(column: Sequence[str]) -> list[str | tuple[str, ...]]:
    """Return the parts of one column; blanks around what varies are plain text where all lines have them."""
    first = column[0]
    if len(set(column)) == 1:
        return [escaped(first)]
    start = first[: len(first) - len(first.lstrip(" "))]
    end = first[len(first.rstrip(" ")) :]
    if not all(text.startswith(start) and text.endswith(end) and len(text) > len(start + end) for text in column):
        start = end = ""
    return [escaped(start), tuple(text[len(start) : len(text) - len(end)] for text in column), escaped(end)]
