"""A container: a table of names, then slots of equal size, a piece in each.

Layout: one record a slot (its name, padded to ``name-width``, then ``fields`` of 32 bits each), the rest of the table
up to ``table-size``, then the slots. Common practice of simple loaders; the tests hold it to a public tool.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Mapping
from typing import Literal

from pipeline.model.manifest import Value
from pipeline.model.ranges import Ranges, RangeSource
from pipeline.model.text import counted
from pipeline.model.units import show_size
from pipeline.roms.operations.arguments import BYTE, ENDIAN, SIZE, Argument, as_written, choice, number, show_value
from pipeline.roms.operations.operation import SLOT_NAMES, Operation
from pipeline.roms.provenance import joined, placed, size_of, sources_of, through, whole

MOST_SLOTS = 65_536
FIELD = 4
"""Bytes of every field of a record but the name."""

FIELDS: Mapping[str, Callable[[bytes, int], int]] = {
    "offset": lambda _, start: start,
    "size": lambda piece, _: len(piece),
    "sum": lambda piece, _: sum(piece) % (1 << 32),
    "crc-32": lambda piece, _: zlib.crc32(piece),
}
"""What a field says of a slot: where it begins in the container, and size and check values of the piece alone."""
CHECK_VALUES = ("sum", "crc-32")
"""The fields that depend on the bytes of the piece."""


def container(
    *parts: bytes,
    names: tuple[str, ...],
    name_width: int,
    fields: tuple[str, ...],
    byte_order: str | None,
    table_size: int | None,
    table_fill: int,
    slot_size: int,
    slot_fill: int,
    slots: int | None,
) -> bytes:
    """Return the table and the slots: slot n begins at (size of the table) + n * ``slot_size``.

    ``table_fill`` pads names and table, ``slot_fill`` pads the piece in its slot. Slots beyond the pieces, up to
    ``slots``, are empty: their records hold ``table_fill`` alone, and they ``slot_fill``.
    """
    order: Literal["little", "big"] = "big" if byte_order == "big-endian" else "little"
    count = slots or len(parts)
    first = _table_size(count, name_width, fields, table_size)
    table, filled = bytearray(), bytearray()
    for n, (name, part) in enumerate(zip(names, parts, strict=True)):
        table += name.encode().ljust(name_width, bytes([table_fill]))
        for field in fields:
            table += FIELDS[field](part, first + n * slot_size).to_bytes(FIELD, order)
        filled += part.ljust(slot_size, bytes([slot_fill]))
    return bytes(table.ljust(first, bytes([table_fill])) + filled.ljust(count * slot_size, bytes([slot_fill])))


def _table_size(count: int, name_width: int, fields: tuple[str, ...], table_size: int | None) -> int:
    return count * (name_width + FIELD * len(fields)) if table_size is None else table_size


def _container_size(
    *sizes: int,
    names: tuple[str, ...],
    name_width: int,
    fields: tuple[str, ...],
    byte_order: str | None,
    table_size: int | None,
    slot_size: int,
    slots: int | None,
    **_fills: int,
) -> int:
    for n, (name, size) in enumerate(zip(names, sizes, strict=True), 1):
        if len(name) > name_width:
            raise ValueError(f'slot {n} has the name "{name}" of {show_size(len(name))}; name-width is {name_width}')
        if size > slot_size:
            raise ValueError(f"slot {n} gets {show_size(size)}; slot-size is {show_size(slot_size)}")
    count = len(sizes) if slots is None else slots
    if count < len(sizes):
        raise ValueError(f"has {counted(len(sizes), 'piece')} for {counted(count, 'slot')}; expected a slot for each")
    if bool(fields) != (byte_order is not None):
        raise ValueError("needs byte-order for its fields" if fields else "has a byte-order, but no fields")
    needed = _table_size(count, name_width, fields, None)
    if table_size is not None and table_size < needed:
        raise ValueError(f"has a table of {show_size(needed)}; table-size is {show_size(table_size)}")
    return _table_size(count, name_width, fields, table_size) + count * slot_size


def _container_trace(
    _: str,
    *parts: Ranges,
    names: tuple[str, ...],
    name_width: int,
    fields: tuple[str, ...],
    table_size: int | None,
    slot_size: int,
    slot_fill: int,
    slots: int | None,
    **_rest: object,
) -> Ranges:
    count = slots or len(parts)
    fill = RangeSource("fill", show_value(slot_fill))
    records, filled = [], []
    for n, (name, part) in enumerate(zip(names, parts, strict=True)):
        checked = sources_of(through(part, "check value in the table"))
        for at, field in enumerate(fields, n * len(fields)):
            if field in CHECK_VALUES:
                records.append((name_width * (n + 1) + FIELD * at, whole(FIELD, RangeSource("table"), *checked)))
        slot = f"slot {n + 1}" + (f" ({name})" if name else "")
        filled += [through(part, slot), whole(slot_size - size_of(part), fill)]
    table = placed(whole(_table_size(count, name_width, fields, table_size), RangeSource("table")), records)
    return joined(table, *filled, whole((count - len(parts)) * slot_size, fill))


def _names(value: Value) -> tuple[str, ...]:
    names = tuple(name for name in (value if isinstance(value, tuple) else ()) if isinstance(name, str))
    for n, name in enumerate(names, 1):
        if not (name.isascii() and name.isprintable()):
            raise ValueError(f"slot {n} has the name {as_written(name)}; expected printable ASCII")
    return names


def _fields(value: Value) -> tuple[str, ...]:
    words = value if isinstance(value, tuple) else (None,)
    known = tuple(word for word in words if isinstance(word, str) and word in FIELDS)
    if len(known) < len(words) or len(set(known)) < len(known):
        raise ValueError(f"{as_written(value)} is out of place; expected a list with each of {_KNOWN} at most once")
    return known


_KNOWN = ", ".join(map(as_written, FIELDS))


def _describe(*parts: str, names: str, slot_size: str, slots: str, fields: str, **_rest: str) -> str:
    called = f" ({names})" if names else ""
    with_fields = f", with {fields}" if fields else ""
    count = slots or f"{len(parts):,}"
    shown = f"{count} {'slot' if count == '1' else 'slots'} of {slot_size}"
    return f"container of {shown}{called}{with_fields}: {', '.join(parts)}"


NAMES = Argument(expects="names", parse=_names, show=lambda names: ", ".join(filter(None, names)))
FIELD_LIST = Argument(
    expects=f"a list of {_KNOWN}",
    parse=_fields,
    show=lambda fields: " and ".join(fields),
    required=False,
    default=(),
    schema={
        "title": f"a list of {_KNOWN}",
        "type": "array",
        "items": choice(*FIELDS).schema,
        "uniqueItems": True,
    },
    description=(
        "What follows each name in the table, in this order, as 32-bit numbers: where its slot begins in the "
        "container; of the piece alone, its size, the sum of its bytes, its CRC-32."
    ),
    example=["offset", "size"],
)

CONTAINERS = (
    Operation(
        name="container",
        arguments={
            SLOT_NAMES: NAMES,
            "name-width": number(0, 255)
            .otherwise(0)
            .described("How many bytes each name has in the table; 0 for no names.", 16),
            "fields": FIELD_LIST,
            "byte-order": ENDIAN.otherwise(None).described("How the fields are written.", "little-endian"),
            "table-size": SIZE.otherwise(None).described(
                "Where the first slot begins; left out: right after the table.", "1 KiB"
            ),
            "table-fill": BYTE.otherwise(0).described(
                "The byte after each name, in empty records and in the rest of the table.", 32
            ),
            "slot-size": SIZE.described("How many bytes each slot has.", "16 KiB"),
            "slot-fill": BYTE.described("The byte after each piece in its slot, and of empty slots.", 255),
            "slots": number(1, MOST_SLOTS, "{:,}".format)
            .otherwise(None)
            .described("How many slots there are; those beyond the pieces are empty. Left out: one a piece.", 8),
        },
        description="A table of names, then slots of equal size, a piece in each.",
        parts_description="The piece of each slot, in order; its own name is written in its table.",
        example=[{"name": "PROGRAM", "chip": "4t"}, {"name": "SOUND", "join": ["5a", "5b"]}],
        parts=range(1, MOST_SLOTS + 1),
        size=_container_size,
        apply=container,
        trace=_container_trace,
        describe=_describe,
    ),
)
"""The one container."""
