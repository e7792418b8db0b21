"""Canonical JSON for plans and records: one text for one value, and a text that compares well line by line."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping


def dump(document: Mapping[str, object]) -> Iterator[str]:
    """Yield the lines of a JSON object: keys in the order given, each on a line, items of a list on lines of their own.

    Deeper objects have their keys sorted and no spaces. The text is ASCII with LF line ends, and ends with one.
    Iterators are taken for lists, so that a long one need not exist as a whole.
    Source: RFC 8259; the fixed form is ours.
    """
    yield "{\n"
    last = len(document) - 1
    for number, (key, value) in enumerate(document.items()):
        comma = "," if number < last else ""
        if isinstance(value, (list, tuple, Iterator)):
            yield f"{_text(key)}:["
            yield from _items(value)
            yield f"]{comma}\n"
        else:
            yield f"{_text(key)}:{_text(value)}{comma}\n"
    yield "}\n"


def _items(values: Iterable[object]) -> Iterator[str]:
    start = "\n"
    for value in values:
        yield start + _text(value)
        start = ",\n"
    if start != "\n":
        yield "\n"


_text = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False).encode
