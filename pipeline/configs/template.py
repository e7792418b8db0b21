"""Fields in braces that stand for what a core says of itself."""

from __future__ import annotations

import re
from collections.abc import Mapping

from pipeline.model.text import nearest

MARK = re.compile(r"\{\{|\}\}|\{([^{}]*)\}|[{}]")
"""A doubled brace, a field, or a brace that is neither."""

DOUBLED = 'a plain brace is written doubled: "{{" or "}}"'


class FieldError(ValueError):
    """A template has a field nobody knows, or a brace that stands alone; ``hint`` says what to type."""

    def __init__(self, what: str, hint: str) -> None:
        super().__init__(what)
        self.hint = hint


def fill_in(text: str, fields: Mapping[str, str]) -> str:
    """Return the text with every ``{field}`` replaced, and "{{" and "}}" as plain braces; raises FieldError."""

    def value(match: re.Match[str]) -> str:
        if match[0] in ("{{", "}}"):
            return match[0][0]
        if match[1] is None:
            raise FieldError(f'"{match[0]}" has no partner; expected a field such as {{core}}', DOUBLED)
        if match[1] not in fields:
            raise _unknown(match[1], fields)
        return fields[match[1]]

    return MARK.sub(value, text)


def _unknown(name: str, fields: Mapping[str, str]) -> FieldError:
    known = ", ".join(f"{{{field}}}" for field in sorted(fields))
    near = nearest(name, fields)
    expected = f"one of {known}" if known else "none: fields are not allowed here"
    hint = f"did you mean {{{near}}}?" if near else DOUBLED
    return FieldError(f"unknown field {{{name}}}; expected {expected}", hint)
