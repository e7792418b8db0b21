"""A finished file as the steps of a ROM file, each with the line of the script that put its bytes there."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import groupby

from pipeline.model.manifest import Change, Piece, RomFile, Step, Value
from pipeline.model.units import show_size
from pipeline.roms.operations.bits import REVERSED, table
from pipeline.translate.rope import IDENTITY, NotFollowedError, Rope, RopeRun, data_of, known_size

MOST_OVERLAYS = 64
"""Places of a chip at which bytes may be exchanged."""


def rom_file(path: str, rope: Rope, names: Mapping[str, str]) -> tuple[RomFile, tuple[int, ...]]:
    """Return a ROM file and the line of the script for each of its steps; ``names``: of the chips, by their files.

    Raises NotFollowedError where no operation of the manifests does what the script does.
    """
    steps, lines, at = list[Step](), list[int](), 0
    for run in rope:
        steps.append(Step(at=at, piece=_piece(run, names), over=False, key=""))
        lines.append(run.line)
        at += known_size((run,))
    rom = RomFile(path=path, size=at, fill=None, steps=tuple(steps), sha256="", placement="anywhere", key="rom.1")
    return rom, tuple(lines)


def chips_of(rope: Rope) -> Iterator[str]:
    """Yield the input files that bytes are from, in the order in which they are used."""
    for run in rope:
        if run.source.kind == "chip":
            yield run.source.name
        for part in run.source.parts:
            yield from chips_of(part)


def _piece(run: RopeRun, names: Mapping[str, str]) -> Piece:
    source, size = run.source, known_size((run,))
    if source.kind == "open":
        raise NotFollowedError(source.name)
    if source.kind == "literal":
        return Piece(operation="bytes", arguments={"bytes": _hex(data_of((run,)))})
    if source.kind == "fill":
        return Piece(operation="fill", arguments={"fill": source.data[0], "size": _size(size)})
    whole = run.start == 0 and size == len(source.data)
    take = () if whole else (Change(operation="take", arguments={"from": run.start, "size": _size(size)}),)
    then = (*source.then, *take, *_changes(run))
    if source.kind == "chip":
        return Piece(operation="chip", name=names[source.name], then=then)
    parts = tuple(_joined(part, names) for part in source.parts)
    if source.operation == "join" and len(parts) == 1:
        part = parts[0]
        return Piece(operation=part.operation, arguments=part.arguments, parts=part.parts, name=part.name,
                     then=(*part.then, *then))  # fmt: skip
    if source.operation == "interleave" and len(parts) not in (2, 3, 4, 8):
        raise NotFollowedError(f"no operation interleaves {len(parts)} lanes")
    return Piece(operation=source.operation, arguments=source.arguments, parts=parts, then=then)


def _joined(rope: Rope, names: Mapping[str, str]) -> Piece:
    parts = tuple(_piece(run, names) for run in rope)
    return parts[0] if len(parts) == 1 else Piece(operation="join", parts=parts)


def _hex(data: bytes) -> str:
    return data.hex(" ").upper()


def _size(size: int) -> Value:
    return show_size(size) if size % 1024 == 0 else size


def _changes(run: RopeRun) -> tuple[Change, ...]:
    """Return what is done to each byte, by operations of the manifests."""
    changed = run.table
    if changed == IDENTITY:
        return ()
    value, lines = changed[0], [changed[1 << bit] for bit in range(8)]
    if changed == table(lambda byte: byte ^ 255):
        return (Change(operation="invert", arguments=True),)
    if changed == table(lambda byte: byte ^ value):
        return (Change(operation="xor", arguments=value),)
    if changed == REVERSED:
        return (Change(operation="reverse-bits", arguments=8),)
    if changed == table(lambda byte: byte & changed[255]):
        return (Change(operation="and", arguments=changed[255]),)
    if changed == table(lambda byte: byte | value):
        return (Change(operation="or", arguments=value),)
    if sorted(lines) == [1 << bit for bit in range(8)]:
        moved = tuple(lines.index(1 << bit) for bit in range(8))
        if changed == table(lambda byte: sum((byte >> line & 1) << bit for bit, line in enumerate(moved))):
            return (Change(operation="data-lines", arguments=moved),)
    return tuple(_overlays(run))


def _overlays(run: RopeRun) -> Iterator[Change]:
    old = run.source.data[run.start : run.start + known_size((run,))]
    new = old.translate(run.table)
    places = [at for at in range(len(old)) if old[at] != new[at]] if len(old) <= 1 << 20 else []
    runs = [[at for _, at in group] for _, group in groupby(enumerate(places), key=lambda pair: pair[1] - pair[0])]
    if not runs or len(runs) > MOST_OVERLAYS or len(places) > 16 * MOST_OVERLAYS:
        if old == new:
            return
        raise NotFollowedError("no operation of the manifests exchanges bytes as this script does")
    for run_of in runs:
        start, end = run_of[0], run_of[-1] + 1
        arguments: dict[str, Value] = {"at": start, "old": _hex(old[start:end]), "new": _hex(new[start:end])}
        yield Change(operation="overlay", arguments=arguments)
