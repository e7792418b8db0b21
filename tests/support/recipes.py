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
    then = maker.field(size, at_start="container" not in tables[0]) if random.random() < 0.3 else []
    for _ in range(random.choice((0, 0, 1)) if maker.chips else 1):
        maker.chip(random.choice(SIZES))
    made = rom(size, *tables, fill=random.choice((0, 255)), then=then)
    return Recipe(maker.chips, made, assemble(title(made, **maker.chips), made, maker.chips))


def counted(made: RomFile) -> int:
    """Steps; a join counts as the pieces it puts together, and so does an interleave of joins, bank by bank.

    A join whose address lines are exchanged is one: it cannot be stated chip by chip.
    """
    return sum(_counted(step.piece) for step in made.steps) + len(made.then)


def _counted(piece: Piece) -> int:
    if piece.operation == "join" and all(change.operation != "address-lines" for change in piece.then):
        return sum(map(_counted, piece.parts))
    if piece.operation == "interleave" and not piece.then:
        return max(map(_counted, piece.parts))
    return 1


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
        plain = ("whole", "whole", "part", "join", "repeat", "lanes", "lanes", "nibbles", "planes", "pattern")
        nested = ("container", "changed_lanes", "turned_lanes", "part_lanes", "joined_lanes", "nibble_lanes",
                  "turned_nibbles", "turned_join", "mirrored_lanes")  # fmt: skip
        kind = self.random.choice(plain if self.random.random() < 0.65 else nested)
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

    def pattern(self) -> tuple[dict[str, Any], int]:
        """A fill of several bytes, or of another byte than the file's own."""
        size = self.random.choice((128, 256, 1000))
        fill = self.random.choice(("DE AD", "4E 71", 0x5A, 0xE5))
        return {"fill": fill, "size": size}, size

    # two operations within one another

    def container(self) -> tuple[dict[str, Any], int]:
        """A table of names and numbers, then a chip in each slot."""
        count, width = self.random.choice((2, 3, 4)), self.random.choice((0, 8, 12, 16))
        if len(self.chips) + count > 16:
            return self.whole()
        fields = self.random.sample(("offset", "size", "sum", "crc-32"), self.random.randint(0 if width else 1, 3))
        size = self.random.choice((1024, 2048, 4096))
        slots = []
        for n in range(count):
            smaller = size if self.random.random() < 0.6 else size // 2
            name = {"name": f"PART{n + 1}"} if width else {}
            slots.append({**name, "chip": self.chip(smaller)})
        table = {"container": slots, "slot-size": size, "slot-fill": self.random.choice((0, 255))}
        head = count * (width + 4 * len(fields))
        if self.random.random() < 0.4:
            head = -(-head // 256) * 256
            table["table-size"] = head
        if width:
            table |= {"name-width": width, "table-fill": self.random.choice((0, 32, 255))}
        if fields:
            table |= {"fields": fields, "byte-order": self.random.choice(("little-endian", "big-endian"))}
        return table, head + count * size

    def some_lanes(self) -> tuple[list[str], int, int]:
        """Names of 2 or 4 chips of one size, which need not be new, their size, and a unit."""
        size, unit = self.random.choice(SIZES[1:4]), self.random.choice(_units())
        count = self.random.choice((2, 2, 4)) if len(self.chips) <= 12 else 2
        return [self.chip(size) for _ in range(count)], size, unit

    def changed_lanes(self) -> tuple[dict[str, Any], int]:
        """Every chip of an interleave changed, each in its own way."""
        names, size, unit = self.some_lanes()
        return {"interleave": [self.twice(name, size) for name in names], "unit": unit}, size * len(names)

    def turned_lanes(self) -> tuple[dict[str, Any], int]:
        """An interleave, exchanged and changed as a whole."""
        names, size, unit = self.some_lanes()
        whole = size * len(names)
        changes = self.random.sample(
            [
                {"blocks": {"size": whole // 2, "order": [1, 0]}},
                {"swap-bytes": self.random.choice((16, 32))},
                {"swap-words": True},
                {"data-lines": [4, 5, 6, 7, 0, 1, 2, 3]},
                {"address-lines": self.order(whole.bit_length() - 1)},
                self.values(whole, words=False),
            ],
            self.random.choice((1, 2)),
        )
        return {"interleave": names, "unit": unit, "then": changes}, whole

    def part_lanes(self) -> tuple[dict[str, Any], int]:
        """An interleave of parts of chips."""
        names, size, unit = self.some_lanes()
        start = self.random.randrange(0, size // 2 + 1, 64)
        take = {"take": {"from": start, "size": size // 2}}
        return {"interleave": [{"chip": name, "then": [take]} for name in names], "unit": unit}, size // 2 * len(names)

    def joined_lanes(self) -> tuple[dict[str, Any], int]:
        """An interleave of chips one after another."""
        names, size, unit = self.some_lanes()
        more = [self.chip(size) for _ in names]
        lanes = [{"join": list(pair)} for pair in zip(names, more, strict=True)]
        return {"interleave": lanes, "unit": unit}, 2 * size * len(names)

    def nibble_lanes(self) -> tuple[dict[str, Any], int]:
        """An interleave of pairs of chips of 4 bits."""
        size = self.random.choice(SIZES[1:4])
        lanes = [{"nibbles": [self.chip(size), self.chip(size)]} for _ in range(2)]
        return {"interleave": lanes, "unit": 1}, 2 * size

    def turned_nibbles(self) -> tuple[dict[str, Any], int]:
        """Two chips of 4 bits, one of them or both together exchanged."""
        size = self.random.choice(SIZES)
        halves = {"blocks": {"size": size // 2, "order": [1, 0]}}
        high, low = self.chip(size), self.chip(size)
        if self.random.random() < 0.5:
            return {"nibbles": [{"chip": high, "then": [halves]}, low]}, size
        return {"nibbles": [high, low], "then": [self.random.choice((halves, {"swap-bytes": 16}))]}, size

    def turned_join(self) -> tuple[dict[str, Any], int]:
        """Chips one after another, changed as a whole."""
        size = self.random.choice(SIZES)
        names = [self.chip(size), self.chip(size)]
        changes = [self.change(2 * size) for _ in range(self.random.choice((1, 2)))]
        return {"join": names, "then": changes}, 2 * size

    def mirrored_lanes(self) -> tuple[dict[str, Any], int]:
        """An interleave that stands there several times."""
        names, size, unit = self.some_lanes()
        whole = size * len(names)
        times = self.random.choice((2, 3))
        return {"interleave": names, "unit": unit, "then": [{"mirror": whole * times}]}, whole * times

    def twice(self, name: str, size: int) -> Any:
        """A chip as it is or changed up to twice."""
        changes = [self.change(size) for _ in range(self.random.choice((0, 1, 1, 2)))]
        return {"chip": name, "then": changes} if changes else name

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

    def field(self, size: int, *, at_start: bool) -> list[dict[str, Any]]:
        order = self.random.choice(("little-endian", "big-endian"))
        width = self.random.choice((1, 2, 4))
        at = self.random.choice((size - width, size - width, 0 if at_start else size - width))
        if width == 4 and self.random.random() < 0.6:
            return [{"crc-32": {"at": at, "byte-order": order}}]
        if width == 2 and self.random.random() < 0.5:
            table = {"at": at, "poly": 0x1021, "init": 0xFFFF, "reflected": False, "xor-out": 0, "byte-order": order}
            return [{"crc-16": table}]
        if width == 1 and self.random.random() < 0.5:
            return [{"xor-check": {"at": at}}]
        table = {"at": at, "bits": 8 * width, "form": self.random.choice(("plain", "negated", "inverted"))}
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
