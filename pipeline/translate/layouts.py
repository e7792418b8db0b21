"""ROM files of one script that are made the same way from different chips: a layout with sockets stands for them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from pipeline.model.manifest import Change, Piece, RomFile
from pipeline.roms.assemble import chips_used
from pipeline.translate.translate import DraftedRom

FEWEST = 2
"""Sockets of a layout that is worth a name."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundLayout:
    """An arrangement that several ROM files have.

    ``rom``: with sockets in place of chips. ``sizes``: bytes of each socket. ``uses``: each ROM file with the chip in
    each socket.
    """

    rom: RomFile
    sizes: Mapping[str, int]
    uses: tuple[tuple[DraftedRom, Mapping[str, str]], ...]


def found_layouts(roms: Sequence[DraftedRom], sizes: Mapping[str, int]) -> tuple[FoundLayout, ...]:
    """Return the arrangements that several ROM files have, in their order; ``sizes``: bytes of each chip."""
    groups: dict[object, list[tuple[DraftedRom, Mapping[str, str]]]] = {}
    for drafted in roms:
        chips = {f"socket-{number}": name for number, name in enumerate(chips_used(drafted.rom), 1)}
        rom = _with_sockets(drafted.rom, {name: socket for socket, name in chips.items()})
        key = repr((rom, [sizes[name] for name in chips.values()]))
        groups.setdefault(key, []).append((drafted, chips))
    found = []
    for uses in groups.values():
        first, held = uses[0]
        if len(held) >= FEWEST and len({tuple(other.values()) for _, other in uses}) > 1:
            rom = _with_sockets(first.rom, {name: socket for socket, name in held.items()})
            bytes_of = {socket: sizes[name] for socket, name in held.items()}
            found.append(FoundLayout(rom=rom, sizes=bytes_of, uses=tuple(uses)))
    return tuple(found)


def _with_sockets(rom: RomFile, names: Mapping[str, str]) -> RomFile:
    """Return a ROM file without its name and hash, in which each chip has another name."""
    steps = tuple(replace(step, piece=_piece(step.piece, names), key="") for step in rom.steps)
    then = tuple(_change(change, names) for change in rom.then)
    return replace(rom, path="", sha256="", key="", steps=steps, then=then)


def _piece(piece: Piece, names: Mapping[str, str]) -> Piece:
    return replace(
        piece,
        name=names.get(piece.name, ""),
        parts=tuple(_piece(part, names) for part in piece.parts),
        then=tuple(_change(change, names) for change in piece.then),
    )


def _change(change: Change, names: Mapping[str, str]) -> Change:
    arguments = change.arguments
    if isinstance(arguments, Mapping) and isinstance(chip := arguments.get("chip"), str):
        return replace(change, arguments={**arguments, "chip": names.get(chip, chip)})
    return change
