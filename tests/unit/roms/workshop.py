"""Titles for tests, written as plain tables the way a manifest has them."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from pipeline.model.content import Content
from pipeline.model.manifest import Change, Chip, Piece, Rights, RomFile, Step, Title, Value
from pipeline.roms.assemble import assemble, check_title
from pipeline.roms.operations.table import PIECES

FILE = "inputs/titles/fern-rally.toml"


def noise(size: int, seed: int = 1) -> bytes:
    return hashlib.shake_256(f"{size} {seed}".encode()).digest(size)


def plain(value: Any) -> Value:
    """Return a table or list as the manifests' values have it: lists as tuples."""
    if isinstance(value, dict):
        return {key: plain(inner) for key, inner in value.items()}
    result: Value = tuple(plain(inner) for inner in value) if isinstance(value, list) else value
    return result


def change(table: Mapping[str, Any]) -> Change:
    ((operation, arguments),) = table.items()
    return Change(operation=operation, arguments=plain(arguments))


def piece(table: str | Mapping[str, Any]) -> Piece:
    if isinstance(table, str):
        return Piece(operation="chip", name=table)
    rest = {key: value for key, value in table.items() if key not in ("at", "over", "then", "name")}
    operation = next((key for key in rest if key in PIECES), next(iter(rest)))
    parts = rest.pop(operation) if isinstance(rest[operation], list) else []
    return Piece(
        operation=operation,
        name=rest.pop("chip") if operation == "chip" else "",
        arguments={key: plain(value) for key, value in rest.items()},
        parts=tuple(map(piece, parts)),
        then=tuple(map(change, table.get("then", ()))),
        slot=table.get("name", ""),
    )


def rom(size: int, *steps: Mapping[str, Any], number: int = 1, **more: Any) -> RomFile:
    key = f"rom.{number}"
    return RomFile(
        path="FERN.ROM",
        size=size,
        fill=more.get("fill"),
        steps=tuple(
            Step(at=step["at"], piece=piece(step), over=step.get("over", False), key=f"{key}.steps.{n}")
            for n, step in enumerate(steps, 1)
        ),
        sha256=more.get("sha256", ""),
        placement="anywhere",
        key=key,
        then=tuple(map(change, more.get("then", ()))),
    )


def title(*roms: RomFile, **chips: int | bytes | None) -> Title:
    sizes = {name: len(chip) if isinstance(chip, bytes) else chip for name, chip in chips.items()}
    return Title(
        id="fern-rally", file=FILE, name="Fern Rally", core="glimmer", tags=(), folder="",
        chips={name: Chip(name=name, content=Content(sha256="0" * 64, size=size)) for name, size in sizes.items()},
        roms=roms, files=(), orientation="", buttons=0, rights=Rights(), source="", date="",
    )  # fmt: skip


def with_patches(asked: Title, patches: Mapping[str, bytes]) -> Title:
    """Return the title with patches, whose bytes are given by name."""
    deltas = {name: Content(sha256="0" * 64, size=len(delta)) for name, delta in patches.items()}
    return replace(asked, patches=deltas)


def problems(size: int, *steps: Mapping[str, Any], chips: Mapping[str, int | None], **more: Any) -> list[str]:
    """Return what ``check_title`` says of one ROM file, each problem as a person sees it, without the file's name."""
    found = check_title(title(rom(size, *steps, **more), **chips))
    return [str(problem).replace(f"{FILE}: ", "") for problem in found]


def made(source: str | Mapping[str, Any], chips: Mapping[str, bytes], size: int) -> bytes:
    """Return what one piece gives as a ROM file of its own, which must have no problem."""
    table = {"chip": source} if isinstance(source, str) else source
    whole = rom(size, {"at": 0} | dict(table))
    asked = title(whole, **chips)
    assert check_title(asked) == []
    return assemble(asked, whole, chips)


def changed(data: bytes, *changes: Mapping[str, Any], size: int | None = None, **others: bytes) -> bytes:
    """Return what changes make of bytes; ``size`` where it becomes another one."""
    return made({"chip": "it", "then": changes}, {"it": data, **others}, len(data) if size is None else size)
