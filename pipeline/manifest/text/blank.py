"""Blanks: values of a drafted manifest that only a person can give."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from pipeline.manifest.text.positions import Part

BLANK = "<blank>"
"""Stands in place of a value, whatever its type; no key takes this text as a value."""


BLANKS_ARE = f'"{BLANK}" stands for what only a person can know; "doit check" lists every blank.'
"""What a draft says of its blanks."""


def may_hold_blanks(text: str) -> bool:
    """Whether a blank can be among the values of a TOML text; a character of it may be written as an escape."""
    return BLANK in text or "\\" in text


def blanks_in(value: Any, path: tuple[Part, ...] = ()) -> Iterator[tuple[Part, ...]]:
    """Yield the path of each blank in a TOML value, in the order of the text."""
    if value == BLANK:
        yield path
    pairs = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for part, inner in pairs:
        yield from blanks_in(inner, (*path, part))
