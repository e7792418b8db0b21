"""The ROM files of a title, decoded. What operations there are is for the schema and for ``roms`` to say."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache, lru_cache
from sys import intern
from typing import Any

from pipeline.manifest.schema.formats import TITLE_FIELD
from pipeline.manifest.schema.validate import schema
from pipeline.model.manifest import NOTHING, Change, Piece, RomFile, Step, Value
from pipeline.model.units import parse_size

AROUND = ("at", "over", "then", "id", "name")
"""Keys of a step's or a slot's table that are no arguments of its operation."""


def rom_file(table: Mapping[str, Any], key: str, title: str = TITLE_FIELD) -> RomFile:
    """Return the ROM file of one table ``[[rom]]``; ``title``: what the field {title} stands for."""
    steps, then = _arranged(json.dumps([table["steps"], table.get("then", ())]), key)
    return RomFile(
        path=table["path"].replace(TITLE_FIELD, title),
        size=parse_size(table["size"]),
        fill=table.get("fill"),
        steps=steps,
        sha256=table.get("sha256", "").lower(),
        placement=table.get("placement", "anywhere"),
        key=intern(key),
        then=then,
    )


@lru_cache(64)
def _arranged(written: str, key: str) -> tuple[tuple[Step, ...], tuple[Change, ...]]:
    """Return the steps of a ROM file and what is done to the whole, given as JSON; the same values for the same text.

    Titles of one core mostly arrange their chips in the same few ways; what is worked out of the steps is shared too.
    """
    steps, then = json.loads(written)
    return tuple(_step(step, f"{key}.steps.{number}") for number, step in enumerate(steps, 1)), changes({"then": then})


def _step(table: Mapping[str, Any], key: str) -> Step:
    return Step(at=table["at"], piece=_piece(table), over=table.get("over", False), key=intern(key))


def _piece(value: str | Mapping[str, Any]) -> Piece:
    """Return a piece: a chip's bare name, or the table of an operation; a list it is given is one of pieces."""
    if isinstance(value, str):
        return _chip(value)
    operation = next(name for name in value if f"piece-{name}" in schema("title")["$defs"])
    main = value[operation]
    not_arguments = (*AROUND, operation) if isinstance(main, list) or operation == "chip" else AROUND
    arguments = {name: frozen(inner) for name, inner in value.items() if name not in not_arguments}
    return Piece(
        operation=intern(operation),
        arguments=arguments or NOTHING,
        parts=tuple(map(_piece, main)) if isinstance(main, list) else (),
        name=main if operation == "chip" else "",
        slot=value.get("name", ""),
        then=changes(value),
    )


@cache
def _chip(name: str) -> Piece:
    """Return a chip as it is; one value for all titles, since most have chips of the same few names."""
    return Piece(operation="chip", name=name)


def changes(table: Mapping[str, Any]) -> tuple[Change, ...]:
    """Return what ``then`` of a table asks for, in order."""
    return tuple(
        Change(operation=operation, arguments=frozen(arguments))
        for change in table.get("then", ())
        for operation, arguments in change.items()
    )


def frozen(value: Any) -> Value:
    """Return a TOML value with its lists as tuples."""
    if isinstance(value, list):
        return tuple(map(frozen, value))
    if isinstance(value, dict):
        return {name: frozen(inner) for name, inner in value.items()}
    plain: Value = value
    return plain
