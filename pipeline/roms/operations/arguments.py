"""The arguments of operations: how each kind is read from a manifest, and how it is shown to a person."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from pipeline.model.manifest import Value
from pipeline.model.text import listed, shown
from pipeline.model.units import parse_bytes, parse_size, show_size

MOST_LINES = 32
"""Address lines of the largest chip."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Argument:
    """One argument of an operation.

    ``expects``: what a person should write. ``parse`` turns the manifest's value into what the operation takes, or
    raises ValueError. ``show`` is its inverse for people. ``default`` stands in when the argument is not ``required``.
    ``names``: the value names a "chip" or a "patch", and the operation receives its bytes (for sizes, their number).
    ``schema``: what an editor checks, as JSON Schema. ``title``, ``description`` and ``example`` are what it shows; the
    title is that of the schema where none is given.
    """

    expects: str
    parse: Callable[[Value], object]
    show: Callable[[Any], str] = str
    required: bool = True
    default: object = None
    names: Literal["", "chip", "patch"] = ""
    schema: Mapping[str, object] = field(default_factory=dict)
    title: str = ""
    description: str = ""
    example: object = None

    def described(self, description: str, example: object, title: str = "") -> Argument:
        """Return the same argument with what it means in one operation."""
        return replace(self, description=description, example=example, title=title)

    def otherwise(self, default: object) -> Argument:
        """Return the same argument, but one that may be left out."""
        return replace(self, required=False, default=default)


def show_address(address: int) -> str:
    """Return an address as it is shown: four hexadecimal digits or more."""
    return f"0x{address:04X}"


def show_range(start: int, end: int) -> str:
    """Return the range from ``start`` up to but not including ``end`` by its first and last address."""
    return show_address(start) if end - start < 2 else f"{show_address(start)} to {show_address(end - 1)}"


def show_hex(data: bytes) -> str:
    """Return bytes as they are shown: "DE AD", and long ones cut after 16."""
    return data[:16].hex(" ").upper() + (f" ... ({len(data)} bytes)" if len(data) > 16 else "")


def show_value(value: int | bytes) -> str:
    """Return one byte as 0xFF, several as "DE AD"."""
    return f"0x{value:02X}" if isinstance(value, int) else show_hex(value)


def as_written(value: Value) -> str:
    """Return a manifest's value as a person would recognise it in the file."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, tuple):
        return f"[{', '.join(map(as_written, value))}]"
    return f'"{shown(value)}"' if isinstance(value, str) else str(value)


def _is_number(value: Value) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _size(value: Value) -> int:
    if not isinstance(value, str | int):
        raise ValueError(f'{as_written(value)} is not a size; expected whole bytes or text such as "4 KiB"')
    return parse_size(value)


def _number(low: int, high: int, expects: str) -> Callable[[Value], int]:
    def parse(value: Value) -> int:
        if isinstance(value, int) and not isinstance(value, bool) and low <= value <= high:
            return value
        raise ValueError(f"{as_written(value)} is out of place; expected {expects}")

    return parse


def _hex(value: Value) -> bytes:
    if not isinstance(value, str):
        raise ValueError(f'{as_written(value)} is not hexadecimal text; expected pairs of digits such as "DE AD"')
    return parse_bytes(value)


def _value(value: Value) -> int | bytes:
    if isinstance(value, str):
        return parse_bytes(value)
    return _number(0, 255, 'a byte (0x00 to 0xFF) or hexadecimal text such as "DE AD"')(value)


def _named(kind: str) -> Callable[[Value], str]:
    def parse(value: Value) -> str:
        if not (isinstance(value, str) and value):
            raise ValueError(f"{as_written(value)} is not the name of a {kind}; expected one in quotes")
        return value

    return parse


def _sha256(value: Value) -> str:
    if not (isinstance(value, str) and re.fullmatch("[0-9A-Fa-f]{64}", value)):
        raise ValueError(f"{as_written(value)} is not a SHA-256; expected 64 hexadecimal digits in quotes")
    return value.lower()


def _flag(value: Value) -> bool:
    if not isinstance(value, bool):
        raise ValueError(f"{as_written(value)} is out of place; expected true or false")
    return value


def _numbers(value: Value) -> tuple[int, ...]:
    if not (isinstance(value, tuple) and value and all(map(_is_number, value))):
        raise ValueError(f"{as_written(value)} is out of place; expected a list of whole numbers")
    return tuple(int(str(number)) for number in value)


def _lines(value: Value) -> tuple[int, ...]:
    lines = _numbers(value)
    if len(lines) > MOST_LINES:
        raise ValueError(f"has {len(lines):,} lines; expected {MOST_LINES} at most")
    if sorted(lines) != list(range(len(lines))):
        last = len(lines) - 1
        raise ValueError(f"{as_written(value)} is not a permutation; expected every line from 0 to {last} once")
    return lines


def _size_or_power(value: Value) -> int | str:
    return value if value == "power-of-two" and isinstance(value, str) else _size(value)


def choice(*options: int | str) -> Argument:
    """Return the argument that is one of a few words or numbers."""
    expects = listed(map(as_written, options), "or")

    def parse(value: Value) -> int | str:
        if isinstance(value, str | int) and not isinstance(value, bool) and value in options:
            return value
        raise ValueError(f"{as_written(value)} is out of place; expected {expects}")

    kind = "string" if isinstance(options[0], str) else "integer"
    return Argument(expects=expects, parse=parse, schema={"title": expects, "type": kind, "enum": list(options)})


def number(low: int, high: int, show: Callable[[Any], str] = str) -> Argument:
    """Return the argument that is a whole number in a range, both ends included."""
    expects = f"a whole number from {show(low)} to {show(high)}"
    schema = {"title": expects, "type": "integer", "minimum": low, "maximum": high}
    return Argument(expects=expects, parse=_number(low, high, expects), show=show, schema=schema)


def _show_list(numbers: tuple[int, ...]) -> str:
    return " ".join(map(str, numbers))


def _defined(name: str) -> dict[str, object]:
    """Return the schema of a kind of value that the schema of titles defines by hand."""
    return {"$ref": f"#/$defs/{name}"}


SIZE = Argument(
    expects='whole bytes or text such as "4 KiB"', parse=_size, show=show_size, schema=_defined("binary-size")
)
ADDRESS = Argument(expects="an address such as 0x1000", parse=_size, show=show_address, schema=_defined("address"))
SIZE_OR_POWER = Argument(
    expects='a size such as "4 KiB", or "power-of-two"',
    parse=_size_or_power,
    show=lambda value: "a power of two" if isinstance(value, str) else show_size(value),
    schema=_defined("size-or-power"),
)
BYTE = replace(number(0, 255, show_value), schema=_defined("byte"))
HEX = Argument(expects='hexadecimal text such as "DE AD"', parse=_hex, show=show_hex, schema=_defined("hex"))
VALUE = Argument(
    expects='a byte such as 0xFF or hexadecimal text such as "DE AD"',
    parse=_value,
    show=show_value,
    schema=_defined("byte-or-pattern"),
)
CHIP = Argument(expects="the name of a chip", parse=_named("chip"), names="chip", schema=_defined("chip-name"))
PATCH = Argument(expects="the name of a patch", parse=_named("patch"), names="patch", schema=_defined("patch-name"))
SHA256 = Argument(
    expects="64 hexadecimal digits in quotes",
    parse=_sha256,
    show=lambda digest: f"{digest[:8]}...",
    schema=_defined("sha256"),
)
FLAG = Argument(
    expects="true or false", parse=_flag, show=as_written, schema={"title": "true or false", "type": "boolean"}
)
LINES = Argument(
    expects="a list with every line once, such as [1, 0, 2]", parse=_lines, show=_show_list, schema=_defined("lines")
)
NUMBERS = Argument(
    expects="a list of whole numbers",
    parse=_numbers,
    show=_show_list,
    schema={
        "title": "a list of whole numbers",
        "type": "array",
        "items": {"title": "a whole number from 0 on", "type": "integer", "minimum": 0, "maximum": 0xFFFF_FFFF},
        "minItems": 1,
    },
)
ENDIAN = choice("little-endian", "big-endian")
