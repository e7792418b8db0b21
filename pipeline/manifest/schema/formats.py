"""What the schemas' ``format`` names mean: checks of single values that no pattern can say plainly.

Each takes a value and raises UnfitError when it is not fit; values of another type are left to the keyword ``type``.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime
from fractions import Fraction

from pipeline.manifest.text.positions import CONTROL
from pipeline.model.text import nearest
from pipeline.model.units import parse_size, show_size

FIELDS = ("core", "name", "release", "kind")
"""The fields of templates: what a core says of itself."""

TITLE_FIELD = "{title}"
"""The field of a ROM file's path: what a title is called in file names."""

LARGEST = 2**41
"""Bytes of the largest card a partition table can describe: 2**32 sectors of 512 bytes."""

MARK = re.compile(r"\{\{|\}\}|\{([^{}]*)\}|[{}]")
"""A doubled brace, a field, or a brace that is neither."""

DOUBLED = 'write plain braces doubled: "{{" and "}}"'


class UnfitError(ValueError):
    """A value is not what its format asks for: what was expected instead, and what to do about it."""

    def __init__(self, expected: str, hint: str = "") -> None:
        super().__init__(expected)
        self.expected = expected
        self.hint = hint


def check_path(text: str, where: str = "on the card") -> None:
    """Check that a path stays where it belongs and has no empty parts."""
    if found := CONTROL.search(text):
        raise UnfitError("a path without control characters", control_hint(found[0]))
    if re.match("[A-Za-z]:", text):
        raise UnfitError(f"a path {where}, without a drive", "take out the drive letter")
    if "\\" in text:
        raise UnfitError('a path with "/" between its parts', f'write "{text.replace(chr(92), "/")}"')
    if text.startswith("/"):
        raise UnfitError(f'a path {where}, without a leading "/"', "begin with the name of the first folder or file")
    parts = text.split("/")
    if ".." in parts or "." in parts:
        raise UnfitError(f'a path that stays {where}, without ".." or "."', "write the path without them")
    if "" in parts:
        raise UnfitError("a path without empty parts", 'write one "/" between two parts, and none at the end')


def control_hint(text: str) -> str:
    """Return what to do about the first control character in a text, "" when it has none."""
    found = CONTROL.search(text)
    return f"take out the control character U+{ord(found[0]):04X}" if found else ""


def check_template(text: str, fields: Sequence[str] = FIELDS) -> None:
    """Check that the fields of a template are known, and that other braces are doubled."""
    for match in MARK.finditer(text):
        if match[0] in ("{{", "}}"):
            continue
        if match[1] is None:
            raise UnfitError("plain braces doubled", DOUBLED)
        if not fields:
            raise UnfitError("no field, since no core is meant here", DOUBLED)
        if match[1] not in fields:
            near = nearest(match[1], fields)
            known = ", ".join(f"{{{field}}}" for field in fields)
            raise UnfitError(f"one of the fields {known}", f"did you mean {{{near}}}?" if near else DOUBLED)


def parse_rate(text: str | int) -> int:
    """Return the Hz of a line rate such as "15.7 kHz" or 15700; raises UnfitError when it is no whole number of Hz."""
    if isinstance(text, int):
        return text
    number, factor = (text[:-3], 1000) if text.endswith("kHz") else (text[:-2], 1)
    rate = Fraction(number.strip()) * factor
    if rate.denominator != 1 or not rate:
        raise UnfitError("a line rate of whole Hz", "round it to whole Hz")
    return int(rate)


TOLERANCE = Fraction(2, 100)
"""How far a display follows a single stated line rate, up and down. Common practice; no standard sets it."""


def parse_rates(text: str | int) -> tuple[int, int]:
    """Return the lowest and highest Hz of "30-70 kHz", or of a single rate with ``TOLERANCE`` around it.

    Raises UnfitError when a rate is no whole number of Hz, or the range runs backwards.
    """
    low, dash, high = str(text).partition("-")
    if not dash:
        rate = parse_rate(text)
        return math.ceil(rate * (1 - TOLERANCE)), math.floor(rate * (1 + TOLERANCE))
    unit = "kHz" if high.endswith("kHz") else "Hz"
    lowest, highest = parse_rate(low + unit), parse_rate(high)
    if lowest > highest:
        raise UnfitError("a range from the lower line rate to the higher one", "write the lower rate first")
    return lowest, highest


def parse_moment(value: str | datetime) -> datetime:
    """Return a timestamp; raises UnfitError when it has a zone. Which moments FAT can hold is a rule of the card."""
    try:
        moment = datetime.fromisoformat(value) if isinstance(value, str) else value
    except ValueError:
        raise UnfitError("a date and time such as 2026-11-25T20:00:00") from None
    if moment.tzinfo is not None:
        raise UnfitError("a date and time without a zone", "write it in UTC, without Z or an offset at the end")
    return moment


FIELD = re.compile(r"\{(?:core|name|release|kind)\}")
"""What stands for something in a template; other braces are part of a name."""


def _path(value: object) -> None:
    if not isinstance(value, str):
        return
    check_path(value)
    if FIELD.search(value):
        raise UnfitError("a path without fields", "fields such as {core} are not allowed here")


def _path_template(value: object) -> None:
    if isinstance(value, str):
        check_path(value)
        check_template(value)


def _title_path(value: object) -> None:
    if not isinstance(value, str):
        return
    check_path(value)
    for match in MARK.finditer(value):
        if match[0] != TITLE_FIELD:
            raise UnfitError(f"a path with no other braces than those of {TITLE_FIELD}", f"write {TITLE_FIELD}")


def _folder(value: object) -> None:
    if value != "":
        _path(value)


def _folder_template(value: object) -> None:
    if value != "":
        _path_template(value)


def _line_template(value: object) -> None:
    if isinstance(value, str):
        check_template(value)


def _line_without_fields(value: object) -> None:
    if isinstance(value, str):
        check_template(value, ())


def _inputs_path(value: object) -> None:
    if isinstance(value, str):
        check_path(value, "in the folder of inputs")


def _reserved_path(value: object) -> None:
    if not isinstance(value, str):
        return
    path = value.removesuffix("/**")
    if "*" in path or "?" in path:
        raise UnfitError('a path, or a folder with "/**" at the end', "no other patterns are known")
    _path(path)


def _size_or_nothing(value: object, least: int = 0) -> None:
    if not isinstance(value, str):
        return
    try:
        size = parse_size(value)
    except ValueError:
        raise UnfitError("a whole number of bytes", "use a smaller unit") from None
    if not least <= size <= LARGEST:
        raise UnfitError(f"a size from {least} to {show_size(LARGEST)}")


def _size(value: object) -> None:
    _size_or_nothing(value, 1)


def _size_or_power(value: object) -> None:
    if value != "power-of-two":
        _size(value)


def _rate(value: object) -> None:
    if isinstance(value, str):
        parse_rate(value)


def _rates(value: object) -> None:
    if isinstance(value, str):
        parse_rates(value)


def _day(value: object) -> None:
    if isinstance(value, str) and len(value) == 10:
        try:
            date.fromisoformat(value)
        except ValueError:
            raise UnfitError("a day that the calendar has") from None


def _moment(value: object) -> None:
    if isinstance(value, str | datetime):
        parse_moment(value)


FORMATS: Mapping[str, Callable[[object], None]] = {
    "card-path": _path,
    "card-folder": _folder,
    "path-template": _path_template,
    "folder-template": _folder_template,
    "title-path": _title_path,
    "line-template": _line_template,
    "line-without-fields": _line_without_fields,
    "inputs-path": _inputs_path,
    "reserved-path": _reserved_path,
    "size": _size,
    "size-or-nothing": _size_or_nothing,
    "size-or-power": _size_or_power,
    "rate": _rate,
    "rate-range": _rates,
    "day": _day,
    "moment": _moment,
}

TOML_DATES: Mapping[str, type] = {"day": date, "moment": datetime}
"""TOML has dates and times of its own; these formats take them as well as text."""
