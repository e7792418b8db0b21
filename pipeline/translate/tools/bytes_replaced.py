"""``tr``: each byte replaced by another, or bytes deleted.

Sources: IEEE Std 1003.1-2017 (POSIX), "Utilities"; for what goes beyond it, the manual of GNU coreutils.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from pipeline.model.text import quote
from pipeline.translate.rope import (
    NotFollowedError,
    Rope,
    cut,
    data_of,
    join,
    mapped,
)
from pipeline.translate.tools.call import Answer, Call, encoded

CLASSES = {
    "alnum": str.isalnum, "alpha": str.isalpha, "digit": str.isdigit, "lower": str.islower, "upper": str.isupper,
    "space": str.isspace, "print": str.isprintable,
}  # fmt: skip


def tr(call: Call) -> Answer:
    """Replace each byte by another, or delete bytes."""
    options, sets = call.options("cCds", "", "complement:c delete:d squeeze-repeats:s")
    if "s" in options or not sets or len(sets) > 2:
        raise NotFollowedError("tr with these options")
    first = _set(sets[0])
    if "c" in options or "C" in options:
        first = [value for value in range(256) if value not in set(first)]
    rope = call.feed.take()
    if "d" in options:
        return 0, _without(rope, set(first))
    if len(sets) != 2:
        raise NotFollowedError("tr with one set")
    second = _set(sets[1])
    if not second:
        raise NotFollowedError("tr with an empty second set")
    table = bytearray(range(256))
    for at, value in enumerate(first):
        table[value] = second[min(at, len(second) - 1)]
    return 0, mapped(rope, bytes(table))


TOKEN = re.compile(rb"\\([0-7]{1,3})|\\(.)|\[:([a-z]+):\]|(\[.\*[0-9]*\])|(.)", re.DOTALL)
ESCAPES = {b"n": 10, b"t": 9, b"r": 13, b"a": 7, b"b": 8, b"f": 12, b"v": 11}


def _set(text: str) -> list[int]:
    """Return the bytes of a set: single ones, ranges and classes."""
    data, values, at = encoded(text), list[int](), 0
    while at < len(data):
        value, at, name = _token(data, at)
        if name:
            values += _class(name)
        elif value is not None and data[at : at + 1] == b"-" and at + 1 < len(data):
            last, at, _ = _token(data, at + 1)
            if last is None or last < value:
                raise NotFollowedError("tr with a range that ends before it begins")
            values += range(value, last + 1)
        elif value is not None:
            values.append(value)
    return values


def _class(name: str) -> list[int]:
    if name not in CLASSES:
        raise NotFollowedError(f"tr with the class {quote(name)}")
    return [code for code in range(128) if CLASSES[name](chr(code))]


def _token(data: bytes, at: int) -> tuple[int | None, int, str]:
    """Return a byte, where the next one begins, and the name of a class in place of the byte."""
    found = TOKEN.match(data, at)
    if found is None:
        return None, len(data), ""
    octal, escape, name, repeated, plain = found.groups()
    if repeated:
        raise NotFollowedError("tr with a repeated byte in a set")
    if name:
        return None, found.end(), name.decode()
    if octal:
        return int(octal, 8) & 255, found.end(), ""
    return ESCAPES.get(escape, escape[0]) if escape else plain[0], found.end(), ""


def _without(rope: Rope, dropped: set[int]) -> Rope:
    pattern = re.compile(b"[^" + b"".join(re.escape(bytes([value])) for value in sorted(dropped)) + b"]+", re.DOTALL)
    if not dropped:
        return rope
    return join(*(cut(rope, found.start(), found.end()) for found in _few(pattern.finditer(data_of(rope)))))


def _few(found: Iterator[re.Match[bytes]]) -> Iterator[re.Match[bytes]]:
    for count, match in enumerate(found):
        if count > 4096:
            raise NotFollowedError("tr -d leaves more than 4,096 pieces")
        yield match
