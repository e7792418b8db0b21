"""Random recipes: chips, the steps that arrange them into a ROM file, and how many steps those are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from random import Random
from typing import Any

from pipeline.model.manifest import Piece, RomFile
from pipeline.roms.assemble import assemble
from pipeline.roms.operations.table import PIECES
from tests.unit.roms.workshop import rom, title

SIZES = (256, 1024, 2048, 4096, 8192)
LANES = [count for count in (2, 3, 4, 8) if count in PIECES["interleave"].parts]
UNITS = [1, 2, 4]


@dataclass(frozen=True, slots=True)
class Recipe:
    chips: dict[str, bytes]
    rom: RomFile
    finished: bytes


def dump(random: Random, size: int) -> bytes:
    """What a chip may hold: noise, something like code with long runs of FF behind it, or a table of few values."""
    kind = random.random()
    if kind < 0.6:
        return random.randbytes(size)
    if kind < 0.85:
        words = [random.randbytes(random.randint(1, 4)) for _ in range(200)]
        code = b"".join(random.choices(words, k=size))[: size * random.randint(5, 16) // 16]
        return code.ljust(size, b"\xff")
    values = random.randbytes(16)
    return bytes(random.choices(values, k=size))


def recipe(seed: int, steps: int | None = None) -> Recipe:
    random = Random(seed)
    maker = _Maker(random)
    tables, at = [], 0
    if random.random() < 0.2:
        header = random.randbytes(random.choice((4, 16, 64, 128)))
        tables.append({"at": 0, "bytes": header.hex()})
        at = len(header)
    for _ in range(steps or random.randint(1, 6)):
        if len(maker.chips) >= 16:
            break
        if random.random() < 0.25:
            at += random.choice((32, 100, 512, 1000))
        table, size = maker.piece()
        tables.append({"at": at, **table})
        at += size
    if random.random() < 0.15:
        trailer = random.randbytes(random.choice((8, 16, 32)))
        tables.append({"at": at, "bytes": trailer.hex()})
        at += len(trailer)
    size = at
    if random.random() < 0.3:
        size = 1 << (at - 1).bit_length()
    then = maker.field(size) if random.random() < 0.3 else []
    for _ in range(random.choice((0, 0, 1))):
        maker.chip(random.choice(SIZES))
    made = rom(size, *tables, fill=random.choice((0, 255)), then=then)
    return Recipe(maker.chips, made, assemble(title(made, **maker.chips), made, maker.chips))


def counted(made: RomFile) -> int:
    """Steps; a join counts as the pieces it puts together."""
    return sum(_counted(step.piece) for step in made.steps) + len(made.then)


def _counted(piece: Piece) -> int:
    return sum(map(_counted, piece.parts)) if piece.operation == "join" else 1


class _Maker:
    def __init__(self, random: Random) -> None:
        self.random = random
        self.chips: dict[str, bytes] = {}

    def chip(self, size: int) -> str:
        """A chip of this size: a new one, or one that is used already."""
        fitting = [name for name, data in self.chips.items() if len(data) == size]
        if fitting and (self.random.random() < 0.15 or len(self.chips) >= 16):
            return self.random.choice(fitting)
        name = f"c{len(self.chips) + 1}"
        self.chips[name] = dump(self.random, size)
        return name

    def piece(self) -> tuple[dict[str, Any], int]:
        kind = self.random.choice(("whole", "whole", "part", "join", "repeat", "lanes", "lanes", "nibbles", "planes"))
        return getattr(self, kind)()  # type: ignore[no-any-return]

    def whole(self) -> tuple[dict[str, Any], int]:
        size = self.random.choice(SIZES)
        return self.changed({"chip": self.chip(size)}, size)

    def part(self) -> tuple[dict[str, Any], int]:
        size = self.random.choice(SIZES)
        cut = size >> self.random.choice((1, 1, 2))
        start = self.random.randrange(0, size - cut + 1, 64)
        table, _ = self.changed({"chip": self.chip(size)}, cut)
        return {**table, "then": [{"take": {"from": start, "size": cut}}, *table.get("then", [])]}, cut

    def join(self) -> tuple[dict[str, Any], int]:
        parts = [self.whole() for _ in range(self.random.choice((2, 3)))]
        return {"join": [table for table, _ in parts]}, sum(size for _, size in parts)

    def repeat(self) -> tuple[dict[str, Any], int]:
        size = self.random.choice(SIZES[:4])
        times = self.random.choice((2, 2, 3, 4))
        table, _ = self.changed({"chip": self.chip(size)}, size)
        return {**table, "then": [*table.get("then", []), {"mirror": size * times}]}, size * times

    def lanes(self) -> tuple[dict[str, Any], int]:
        size, count = self.random.choice(SIZES[1:]), self.random.choice(LANES)
        if len(self.chips) + count > 16:
            return self.whole()
        unit = self.random.choice(_units())
        lanes: list[Any] = []
        for _ in range(count):
            name = self.chip(size)
            lanes.append(self.changed({"chip": name}, size)[0] if self.random.random() < 0.15 else name)
        table: dict[str, Any] = {"interleave": lanes, "unit": unit}
        if self.random.random() < 0.2:
            table["then"] = [self.values(count * size, words=False, bytes_only=count * unit % 4 > 0)]
        return table, count * size

    def nibbles(self) -> tuple[dict[str, Any], int]:
        size = self.random.choice(SIZES)
        table: dict[str, Any] = {"nibbles": [self.chip(size), self.chip(size)]}
        if self.random.random() < 0.2:
            table["then"] = [self.values(size, words=False)]
        return table, size

    def planes(self) -> tuple[dict[str, Any], int]:
        if len(self.chips) > 8:
            return self.whole()
        count, packed = self.random.choice((4, 8, 8)), self.random.choice((None, "msb-first", "lsb-first"))
        size = 512
        more = {"packed": packed} if packed else {}
        return {"planes": [self.chip(size) for _ in range(count)], **more}, size * (8 if packed else 1)

    def changed(self, table: dict[str, Any], size: int) -> tuple[dict[str, Any], int]:
        number = self.random.choice((0, 0, 0, 1, 1, 2))
        changes = [self.change(size) for _ in range(number)]
        return ({**table, "then": changes} if changes else table), size

    def change(self, size: int) -> dict[str, Any]:
        if self.random.random() < 0.25:
            return {"blocks": {"size": size // 2, "order": [1, 0]}}
        if self.random.random() < 0.2 and size.bit_count() == 1:
            return {"address-lines": self.order(size.bit_length() - 1)}
        return self.values(size)

    def values(self, size: int, *, words: bool = True, bytes_only: bool = False) -> dict[str, Any]:
        """One change of values; ``words``: also lines exchanged within 16 bits, which only chips of that width have."""
        if bytes_only:
            return self.random.choice([{"reverse-bits": 8}, {"invert": True}, {"xor": self.random.randrange(1, 255)}])
        options: list[dict[str, Any]] = [
            {"swap-bytes": 16},
            {"swap-bytes": 32},
            {"swap-words": True},
            {"reverse-bits": 8},
            {"reverse-bits": 16},
            {"invert": True},
            {"data-lines": [4, 5, 6, 7, 0, 1, 2, 3]},
            {"data-lines": self.order(8)},
            {"data-lines": {"lines": self.order(16), "byte-order": "big-endian"}},
            {"xor": self.random.randrange(1, 255)},
        ]
        return self.random.choice([one for one in options if words or not isinstance(one.get("data-lines"), dict)])

    def order(self, count: int) -> list[int]:
        return self.random.sample(range(count), count)

    def field(self, size: int) -> list[dict[str, Any]]:
        order = self.random.choice(("little-endian", "big-endian"))
        width = self.random.choice((1, 2, 4))
        at = self.random.choice((size - width, size - width, 0))
        if width == 4 and self.random.random() < 0.6:
            return [{"crc-32": {"at": at, "byte-order": order}}]
        if width == 2 and self.random.random() < 0.5:
            table = {"at": at, "poly": 0x1021, "init": 0xFFFF, "reflected": False, "xor-out": 0, "byte-order": order}
            return [{"crc-16": table}]
        table = {"at": at, "bits": 8 * width, "form": self.random.choice(("plain", "negated"))}
        return [{"sum": {**table, **({"byte-order": order} if width > 1 else {})}}]


def _units() -> Sequence[int]:
    units = []
    for unit in UNITS:
        try:
            PIECES["interleave"].arguments["unit"].parse(unit)
        except ValueError:
            continue
        units.append(unit)
    return units
