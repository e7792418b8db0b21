"""Steps as a manifest has them: as TOML text, and as plain values."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from pipeline.model.manifest import Change, Piece, RomFile, Step

WIDEST = 120
"""Columns of a line; a list that is longer stands on several."""
HEXADECIMAL = {"at": 4, "from": 4, "fill": 2, "xor": 2, "and": 2, "or": 2, "value": 2, "mask": 2, "poly": 4, "init": 4,
               "xor-out": 4, "slot-fill": 2, "table-fill": 2}  # fmt: skip
"""Keys whose numbers are written in hexadecimal, with the digits they have at least."""
BARE = re.compile("[A-Za-z0-9_-]+")


def rom_values(rom: RomFile) -> dict[str, Any]:
    """Return what a ROM file's table says beside path and size: fill, what is done to the whole, steps."""
    values: dict[str, Any] = {}
    if rom.fill is not None:
        values["fill"] = rom.fill
    if rom.then:
        values["then"] = list(map(_change, rom.then))
    values["steps"] = list(map(_step, rom.steps))
    return values


def step_blocks(steps: Sequence[Step]) -> str:
    """Return ``[[rom.steps]]`` tables, with a blank line between them and a line end behind the last."""
    blocks = []
    for step in steps:
        lines = [assigned(key, value) for key, value in _step(step).items()]
        blocks.append("[[rom.steps]]\n" + "".join(f"{line}\n" for line in lines))
    return "\n".join(blocks)


def assigned(key: str, value: Any) -> str:
    """Return ``key = value``, a list that is too long for a line on several."""
    line = f"{key} = {literal(key, value)}"
    if len(line) > WIDEST and isinstance(value, list):
        line = f"{key} = [\n" + "".join(f"    {literal('', inner)},\n" for inner in value) + "]"
    return line


def literal(key: str, value: Any) -> str:
    """Return a value as TOML has it; ``key`` says whether a number is an address or a byte."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        digits = HEXADECIMAL.get(key)
        return f"0x{value:0{digits}X}" if digits else str(value)
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, Mapping):
        inside = ", ".join(f"{_key(name)} = {literal(name, inner)}" for name, inner in value.items())
        return f"{{ {inside} }}"
    return f"[{', '.join(literal('', inner) for inner in value)}]"


def chip_table(name: str, size: int | str, sha256: str) -> str:
    """Return the table that declares a chip."""
    return f"[chips.{_key(name)}]\nsize = {literal('', size)}\nsha256 = {literal('', sha256)}\n"


def _key(name: str) -> str:
    return name if BARE.fullmatch(name) else literal("", name)


def _step(step: Step) -> dict[str, Any]:
    return {"at": step.at, **dict(_pairs(step.piece)), **({"over": True} if step.over else {})}


def _piece(piece: Piece) -> Any:
    if piece.operation == "chip" and not piece.then and not piece.slot:
        return piece.name
    return dict(_pairs(piece))


def _pairs(piece: Piece) -> Iterator[tuple[str, Any]]:
    if piece.slot:
        yield "name", piece.slot
    if piece.operation == "chip":
        yield "chip", piece.name
    elif piece.parts:
        yield piece.operation, list(map(_piece, piece.parts))
    yield from ((key, _plain(value)) for key, value in piece.arguments.items())
    if piece.then:
        yield "then", list(map(_change, piece.then))


def _change(change: Change) -> dict[str, Any]:
    return {change.operation: _plain(change.arguments)}


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _plain(inner) for key, inner in value.items()}
    return list(map(_plain, value)) if isinstance(value, tuple) else value
