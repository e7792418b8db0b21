"""Steps in which sockets are named, with what stands in an empty one, and with what the wiring of each does."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.errors import Place, Problem
from pipeline.manifest.schema.validate import schema
from pipeline.model.text import quote

Table = Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Wired:
    """What a step gets that names a socket: ``head`` says which bytes, ``then`` what is done to them first.

    ``stands``: the place of the table that says so.
    """

    head: Table
    then: Sequence[Table]
    stands: Place


def rewired(
    roms: Sequence[Table], wired: Mapping[str, Wired], place: Callable[[str], Place]
) -> tuple[list[dict[str, Any]], dict[str, Place], list[Problem]]:
    """Return ROM files whose steps have what the sockets give, the places of new keys, and what cannot be.

    ``place`` says where a key stands before.
    """
    rewiring = _Rewiring(wired, place)
    made = []
    for number, rom in enumerate(roms, 1):
        key = f"rom.{number}"
        steps = [rewiring.table(step, f"{key}.steps.{index}") for index, step in enumerate(rom["steps"], 1)]
        rewiring.changes(rom, key)
        made.append({**rom, "steps": steps})
    return made, rewiring.places, rewiring.problems


class _Rewiring:
    def __init__(self, wired: Mapping[str, Wired], place: Callable[[str], Place]) -> None:
        self._wired = wired
        self._place = place
        self.places: dict[str, Place] = {}
        self.problems: list[Problem] = []

    def table(self, piece: Table, key: str) -> Table:
        """Return the table of a step or a piece, with its pieces."""
        self.changes(piece, key)
        name = piece.get("chip")
        if isinstance(name, str):
            return self._socket(name, piece, key) if name in self._wired else piece
        parts = {
            word: [self._piece(part, f"{key}.{word}.{number}") for number, part in enumerate(value, 1)]
            for word, value in piece.items()
            if isinstance(value, list) and f"piece-{word}" in schema("title")["$defs"]
        }
        return {**piece, **parts}

    def _piece(self, piece: str | Table, key: str) -> str | Table:
        if isinstance(piece, str):
            return self._socket(piece, {"chip": piece}, key) if piece in self._wired else piece
        return self.table(piece, key)

    def _socket(self, name: str, piece: Table, key: str) -> Table:
        socket = self._wired[name]
        first = len(socket.then)
        then = [*socket.then, *piece.get("then", ())]
        for number in range(first, len(then)):
            self.places[f"{key}.then.{number + 1}"] = self._place(f"{key}.then.{number + 1 - first}")
        for number in range(first):
            self.places[f"{key}.then.{number + 1}"] = _below(socket.stands, f"then.{number + 1}")
        if "fill" in socket.head:
            self.places[f"{key}.fill"] = _below(socket.stands, "empty")
            self.places[f"{key}.size"] = _below(socket.stands, "size")
        around = {word: value for word, value in piece.items() if word not in ("chip", "then")}
        return {**around, **socket.head, **({"then": then} if then else {})}

    def changes(self, table: Table, key: str) -> None:
        """Note the changes that combine a piece with a socket: they take the bytes of a chip as they are."""
        for number, change in enumerate(table.get("then", ()), 1):
            for operation, arguments in change.items():
                name = arguments.get("chip") if isinstance(arguments, Mapping) else None
                socket = self._wired.get(str(name))
                if socket:
                    how = "is empty" if "fill" in socket.head else "is wired"
                    what = f"socket {quote(str(name))} {how}, and {operation} takes the bytes of a chip as they are"
                    hint = "put them into a ROM file of their own, or do it in a step"
                    place = self._place(f"{key}.then.{number}.{operation}.chip")
                    self.problems.append(Problem(place, what, hint, (socket.stands,)))


def _below(place: Place, key: str) -> Place:
    return Place(place.file, key=f"{place.key}.{key}")
