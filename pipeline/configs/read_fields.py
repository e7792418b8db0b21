"""What the fields of template lines stand for, read back from the lines that they were written as."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence

from pipeline.configs.template import MARK

VALUES = {"core": "[A-Za-z0-9_-]{1,32}", "kind": "[a-z0-9]+(?:-[a-z0-9]+)*"}
"""What a field can stand for; where nothing is stated here, any text of at least one character."""

LONGEST = 2_000
"""Characters of the lines of one core that are looked at, so that the time stays bounded."""


def fields_in(templates: Iterable[str]) -> set[str]:
    """Return the fields that templates have."""
    return {match[1] for template in templates for match in MARK.finditer(template) if match[1]}


def fields_from(
    templates: Sequence[str], lines: Sequence[str], known: Mapping[str, str] | None = None
) -> dict[str, str] | None:
    """Return what the fields stand for in lines that were written from templates, None where they were not.

    ``known``: fields that must stand for these texts, letter case ignored; what the lines have is returned. A field
    that stands in several places stands for the same text in each.
    """
    text = "\n".join(lines)
    if len(templates) != len(lines) or len(text) > LONGEST:
        return None
    seen: set[str] = set()
    match = re.fullmatch("\n".join([_pattern(template, known or {}, seen) for template in templates]), text)
    return match.groupdict() if match else None


def _pattern(template: str, known: Mapping[str, str], seen: set[str]) -> str:
    pattern, end = "", 0
    for match in MARK.finditer(template):
        pattern += re.escape(template[end : match.start()])
        name, end = match[1], match.end()
        if name is None:
            pattern += re.escape(match[0][0])
        elif name in seen:
            pattern += f"(?P={name})"
        else:
            seen.add(name)
            value = f"(?i:{re.escape(known[name])})" if name in known else VALUES.get(name, ".+")
            pattern += f"(?P<{name}>{value})"
    return pattern + re.escape(template[end:])
