"""Titles with the very same steps share what these come to, and nothing that depends on the title."""

from __future__ import annotations

from dataclasses import replace

from pipeline.manifest.decode.rom_files import rom_file
from pipeline.model.manifest import RomFile, Title
from pipeline.roms.arrangement import arrangement
from pipeline.roms.assemble import assemble, check_title, describe
from pipeline.roms.map import map_text, rom_map
from tests.unit.roms.workshop import title

TABLE = {"path": "FERN.ROM", "size": 8, "steps": [{"at": 0, "join": ["a1", "b1"]}], "then": [{"xor": 1}]}


def with_chips(*sizes: int, names: str = "ab", file: RomFile | None = None) -> Title:
    chips = {f"{name}1": size for name, size in zip(names, sizes, strict=True)}
    return title(file or rom_file(TABLE, "rom.1"), **chips)


def problems(asked: Title) -> list[str]:
    return [f"{problem.place.key}: {problem.what}" for problem in check_title(asked)]


def test_equal_steps_are_one_value_for_all_titles() -> None:
    one, other = rom_file(TABLE, "rom.1"), rom_file({**TABLE, "path": "MOTH.ROM"}, "rom.1")
    assert one.steps is other.steps
    assert arrangement(one) is arrangement(other)
    assert rom_file(TABLE, "rom.2").steps[0].key == "rom.2.steps.1"


def test_a_title_with_a_chip_of_another_size_is_told_so_beside_one_that_is_right() -> None:
    assert problems(with_chips(4, 4)) == []
    assert problems(with_chips(4, 2)) == [
        "rom.1: nothing is placed at 0x0006 to 0x0007 (2 bytes); expected every byte, since there is no fill"
    ]
    assert problems(with_chips(4, 4)) == []


def test_a_title_without_one_of_the_chips_is_told_so_beside_one_that_has_it() -> None:
    assert problems(with_chips(4, 4)) == []
    assert problems(with_chips(4, 4, names="ac"))[0] == 'rom.1.steps.1.join.2: no chip "b1" in this title'


def test_a_rom_file_with_a_fill_has_a_map_of_its_own() -> None:
    filled = replace(rom_file(TABLE, "rom.1"), size=10, fill=0xFF)
    assert assemble(with_chips(4, 4, file=filled), filled, {"a1": bytes(4), "b1": bytes(4)})[8:] == b"\xfe\xfe"
    whole, more = with_chips(4, 4), with_chips(4, 4, file=filled)
    assert [part.end for part in rom_map(whole, whole.roms[0])] == [4, 8]
    assert [part.end for part in rom_map(more, more.roms[0])] == [4, 8, 10]


def test_what_a_chip_holds_is_said_of_its_own_title() -> None:
    plain = with_chips(4, 4)
    told = replace(plain, chips={**plain.chips, "a1": replace(plain.chips["a1"], holds="sprites")})
    assert "sprites" not in map_text(plain.roms[0], rom_map(plain, plain.roms[0]))
    assert "chip a1 (sprites)" in map_text(told.roms[0], rom_map(told, told.roms[0]))


def test_other_steps_have_another_digest() -> None:
    other = rom_file({**TABLE, "steps": [{"at": 0, "join": ["b1", "a1"]}]}, "rom.1")
    known, turned = arrangement(rom_file(TABLE, "rom.1")), arrangement(other)
    assert known.digest != turned.digest
    assert describe(other)[0] == "0x0000: join b1, a1"
