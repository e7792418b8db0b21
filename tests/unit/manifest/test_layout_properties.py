"""Whatever a layout says and however a title fills it: the title written out by hand is the same one.

The titles in full are written by the test, piece by piece beside the layout, and by none of the code that is tested.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from pipeline.manifest.expand.titles import Titles
from pipeline.manifest.parse_manifest import parse_manifest
from pipeline.manifest.text.write import toml_value
from pipeline.model.manifest import Title
from pipeline.roms.assemble import assemble, check_title, chips_used
from pipeline.roms.map import rom_map

SIZE = 64
"""Bytes of every socket, so that any row of pieces fits any operation."""

CORE = """
name = "Fern"
kind = "arcade"
release = "1.0"
boards = ["oak"]
bitstream = { size = 1, sha256 = "%s" }
""" % ("a" * 64)  # fmt: skip

WIRINGS: list[list[dict[str, Any]]] = [
    [], [{"invert": True}], [{"xor": 0x5A}, {"reverse-bits": 8}], [{"data-lines": [1, 0, 2, 3, 4, 5, 6, 7]}],
]  # fmt: skip


def content(name: str, size: int = SIZE) -> bytes:
    return hashlib.shake_256(name.encode()).digest(size)


def sha256(name: str, size: int = SIZE) -> str:
    return hashlib.sha256(content(name, size)).hexdigest()


Stands = Callable[[str, list[Any]], Any]
"""What a socket's name with further changes is in a step."""


@dataclass(frozen=True, kw_only=True)
class Case:
    """Sockets, what is in them, and steps as (operation, sockets, what is done to each).

    ``other``: what a variant has in its sockets. ``replaced``: the step in whose place the title puts another, -1 for
    none. ``over``: whether it adds an overlay. ``further``: whether it has a ROM file more.
    """

    sockets: dict[str, dict[str, Any]]
    filled: dict[str, dict[str, Any]]
    other: dict[str, dict[str, Any]]
    steps: list[tuple[str, list[str], list[list[Any]]]]
    replaced: int
    over: bool
    further: bool

    @property
    def layout(self) -> dict[str, Any]:
        steps = [{"id": f"step-{number}", **step} for number, step in enumerate(self.steps_with(bare))]
        return {"sockets": self.sockets, "rom": [self.rom("{title}.ROM", steps)]}

    @property
    def title(self) -> dict[str, Any]:
        steps = [{"id": f"step-{self.replaced}", **self.all_joined(bare)}] if self.replaced >= 0 else []
        steps += [OVERLAY] if self.over else []
        roms = [{"path": "{title}.ROM", "steps": steps}] if steps else []
        roms += [self.more(bare)] if self.further else []
        return {"name": "Kite", "core": "fern", "layout": "rows", "sockets": self.filled, "rom": roms}

    @property
    def variant(self) -> dict[str, Any]:
        return {"name": "Kite", "like": "kite", "sockets": self.other, "file-name": "TWO"}

    def in_full(self, filled: dict[str, dict[str, Any]], stem: str) -> dict[str, Any]:
        """Return a title without a layout."""
        chips: dict[str, Any] = {}

        def stands(name: str, then: list[Any]) -> Any:
            socket, own = self.sockets[name], filled.get(name, {})
            said = {"size": SIZE, **({"holds": socket["holds"]} if "holds" in socket else {})}
            wiring = [*own.get("then", socket.get("then", [])), *then]
            if not own and socket["empty"] == 0xFF:
                return {"fill": 0xFF, "size": SIZE, **({"then": wiring} if wiring else {})}
            chips[name] = {**said, **{key: value for key, value in (own or socket["empty"]).items() if key != "then"}}
            return bare(name, wiring)

        steps = self.steps_with(stands)
        if self.replaced >= 0:
            steps[self.replaced] = self.all_joined(stands)
        roms = [self.rom(f"{stem}.ROM", [*steps, OVERLAY] if self.over else steps)]
        roms += [self.more(stands)] if self.further else []
        return {"name": "Kite", "core": "fern", "chips": chips, "rom": roms}

    def rom(self, path: str, steps: list[Any]) -> dict[str, Any]:
        return {"path": path, "size": 4096 * len(self.steps), "fill": 0, "steps": steps}

    def steps_with(self, stands: Stands) -> list[dict[str, Any]]:
        pieces = [(kind, [stands(*one) for one in zip(row, thens, strict=True)]) for kind, row, thens in self.steps]
        made = [as_step(row[0]) if kind == "chip" else {kind: row} for kind, row in pieces]
        return [{"at": number * 4096, **piece} for number, piece in enumerate(made)]

    def all_joined(self, stands: Stands) -> dict[str, Any]:
        return {"at": self.replaced * 4096, "join": [stands(name, []) for name in self.sockets]}

    def more(self, stands: Stands) -> dict[str, Any]:
        return {"path": "MORE.ROM", "size": SIZE, "steps": [{"at": 0, **as_step(stands("s0", []))}]}


OVERLAY = {"at": 3, "bytes": "01 02", "over": True}


def bare(name: str, then: list[Any]) -> Any:
    return {"chip": name, "then": then} if then else name


def as_step(piece: Any) -> dict[str, Any]:
    return {"chip": piece} if isinstance(piece, str) else dict(piece)


def dump(name: str, size: int = SIZE) -> dict[str, Any]:
    return {"sha256": sha256(f"dump {name}", size)}


FILLED: st.SearchStrategy[dict[str, Any]] = st.sampled_from(
    [{}, *({"then": then} for then in WIRINGS), {"size": SIZE * 2, "then": [{"take": {"from": 0, "size": SIZE}}]}]
)
SOCKETS = st.fixed_dictionaries(
    {"size": st.just(SIZE)},
    optional={
        "then": st.sampled_from(WIRINGS),
        "holds": st.sampled_from(["sound", "colours"]),
        "empty": st.sampled_from([0xFF, {"sha256": sha256("stand-in")}]),
    },
)


@st.composite
def cases(draw: st.DrawFn) -> Case:
    names = [f"s{number}" for number in range(draw(st.integers(2, 6)))]
    sockets = {name: draw(SOCKETS) for name in names}
    filled = {name: draw(FILLED) for name in names if "empty" not in sockets[name] or draw(st.booleans())}
    filled = {name: {**dump(name, said.get("size", SIZE)), **said} for name, said in filled.items()}
    differs = draw(st.sampled_from([None, *filled]))
    rows = [draw(st.lists(st.sampled_from(names), min_size=2, max_size=4)) for _ in range(draw(st.integers(0, 4)))]
    kinds = [draw(st.sampled_from(["join", "interleave" if len(row) != 3 else "join", "chip"])) for row in rows]
    thens = [[draw(st.sampled_from(WIRINGS)) for _ in row] for row in rows]
    steps = [*zip(kinds, rows, thens, strict=True), ("join", names, [[] for _ in names])]  # each socket is used
    return Case(
        sockets=sockets,
        filled=filled,
        other={differs: {**filled[differs], **dump("another", filled[differs].get("size", SIZE))}} if differs else {},
        steps=steps,
        replaced=draw(st.integers(-1, len(steps) - 1)),
        over=draw(st.booleans()),
        further=draw(st.booleans()),
    )


def toml(table: dict[str, Any]) -> bytes:
    return "".join(f"{key} = {toml_value(value)}\n" for key, value in table.items()).encode()


def titles(case: Case) -> tuple[Title, Title, Title, Title]:
    """Return the title and its variant by the layout, and the same as they are written in full."""
    parsed = [
        parse_manifest(
            "core", "fern", "core.toml", CORE.encode() + b"layouts.rows = " + toml_value(case.layout).encode()
        ),
        parse_manifest("title", "kite", "kite.toml", toml(case.title)),
        parse_manifest("title", "kite-two", "kite-two.toml", toml(case.variant)),
    ]
    in_full = [
        parse_manifest("title", "kite", "kite.toml", toml(case.in_full(case.filled, "KITE"))),
        parse_manifest("title", "kite-two", "kite-two.toml", toml(case.in_full({**case.filled, **case.other}, "TWO"))),
    ]
    assert [problem for one in (*parsed, *in_full) for problem in one.problems] == []
    known = Titles(parsed)
    results = [known.result(id_) for id_ in ("kite", "kite-two")]
    assert [problem for one in results for problem in one.manifest.problems] == []
    values = [*(result.manifest.value for result in results), *(manifest.value for manifest in in_full)]
    one, two, three, four = (value for value in values if isinstance(value, Title))
    return one, two, three, four


@given(cases())
def test_a_title_is_the_one_written_in_full(case: Case) -> None:
    by_layout, variant, in_full, variant_in_full = titles(case)
    assert by_layout == in_full
    assert variant == variant_in_full
    assert (check_title(by_layout), check_title(variant)) == ([], [])


@given(cases())
def test_rom_files_and_maps_are_those_of_the_title_written_in_full(case: Case) -> None:
    for one, full in zip(titles(case)[:2], titles(case)[2:], strict=True):
        names = ["stand-in", "dump another", *(f"dump s{number}" for number in range(6))]
        known = {sha256(name, size): content(name, size) for name in names for size in (SIZE, 2 * SIZE)}
        chips = {name: known[chip.content.sha256] for name, chip in one.chips.items()}
        for rom, other in zip(one.roms, full.roms, strict=True):
            used = {name: chips[name] for name in chips_used(rom)}
            assert assemble(one, rom, used) == assemble(full, other, used)
            assert rom_map(one, rom) == rom_map(full, other)


@given(cases())
def test_every_key_has_a_place_in_a_manifest_that_has_it(case: Case) -> None:
    stated = {"core.toml": {"layouts": {"rows": case.layout}}, "kite.toml": case.title, "kite-two.toml": case.variant}
    for one in titles(case)[:2]:
        keys = [f"chips.{name}.sha256" for name in one.chips]
        keys += [f"chips.{name}.size" for name in one.chips]
        keys += [f"{step.key}.at" for rom in one.roms for step in rom.steps]
        for key in keys:
            place = one.place(key)
            if key.endswith(".size") and ".empty" in place.key:
                continue  # the stand-in has the size of its socket
            value: Any = stated[place.file]
            for part in place.key.split("."):
                value = value[int(part) - 1] if isinstance(value, list) else value[part]
            assert not isinstance(value, dict), (key, place)
