"""Titles that take their arrangement from a layout, or most of what they are from another title."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from pipeline.errors import ManifestError, Place
from pipeline.manifest.load import load
from pipeline.model.manifest import Title

CASES = Path(__file__).parents[2] / "cases"

LAYOUT = """
[layouts.two-rows.sockets]
row-1 = { size = "4 KiB", part = "2732", holds = "program, first half" }
row-2 = { size = "4 KiB", part = "2732", holds = "program, second half", then = [{ invert = true }] }
paint = { size = 32, holds = "colours", empty = 0xFF }
song = { size = "2 KiB", holds = "sound", empty = { sha256 = "SEVENS" } }

[[layouts.two-rows.rom]]
path = "{title}.ROM"
size = "16 KiB"
fill = 0

[[layouts.two-rows.rom.steps]]
id = "program"
at = 0
join = ["row-1", "row-2"]

[[layouts.two-rows.rom.steps]]
at = 0x2000
chip = "song"

[[layouts.two-rows.rom.steps]]
at = 0x3000
chip = "paint"
then = [{ mirror = 64 }]
""".replace("SEVENS", "7" * 64)

KITE = f"""
name = "Kite"
core = "lamp"
layout = "two-rows"
sockets.row-1 = {{ sha256 = "{"1" * 64}" }}
sockets.row-2 = {{ sha256 = "{"2" * 64}", crc32 = "0000000a", part = "27C32" }}
"""

KITE_IN_FULL = f"""
name = "Kite"
core = "lamp"

[chips]
row-1 = {{ size = "4 KiB", sha256 = "{"1" * 64}", part = "2732" }}
row-2 = {{ size = "4 KiB", sha256 = "{"2" * 64}", crc32 = "0000000a", part = "27C32" }}
song = {{ size = "2 KiB", sha256 = "{"7" * 64}" }}

[[rom]]
path = "KITE.ROM"
size = "16 KiB"
fill = 0

[[rom.steps]]
at = 0
join = ["row-1", {{ chip = "row-2", then = [{{ invert = true }}] }}]

[[rom.steps]]
at = 0x2000
chip = "song"

[[rom.steps]]
at = 0x3000
fill = 0xFF
size = 32
then = [{{ mirror = 64 }}]
"""


@pytest.fixture
def inputs(tmp_path: Path) -> Path:
    """Return a small set of inputs whose core has a layout."""
    shutil.copytree(CASES / "base", tmp_path, dirs_exist_ok=True)
    with (tmp_path / "inputs/cores/lamp.toml").open("a", encoding="utf-8") as core:
        core.write(LAYOUT)
    return tmp_path / "inputs"


def title(inputs: Path, text: str, id_: str = "kite") -> Title:
    """Return what a title comes to, with those that were written before."""
    write(inputs, text, id_)
    return load(inputs, inputs.parent).titles[id_]


def write(inputs: Path, text: str, id_: str = "kite") -> None:
    (inputs / f"titles/{id_}.toml").write_text(text, encoding="utf-8")


def told(inputs: Path, text: str, id_: str = "kite") -> str:
    with pytest.raises(ManifestError) as caught:
        title(inputs, text, id_)
    return str(caught.value)


def test_a_title_with_a_layout_is_the_one_written_in_full(inputs: Path) -> None:
    by_layout = title(inputs, KITE)
    in_full = title(inputs, KITE_IN_FULL)
    assert by_layout == in_full
    assert (by_layout.layout, list(by_layout.sockets)) == ("two-rows", ["row-1", "row-2", "paint", "song"])
    assert (in_full.layout, in_full.sockets, in_full.places) == ("", {}, {})


def test_keys_stand_where_a_person_can_mend_them(inputs: Path) -> None:
    kite = title(inputs, KITE)
    core, own = "inputs/cores/lamp.toml", "inputs/titles/kite.toml"
    assert kite.place("name") == Place(own, key="name")
    assert kite.place("chips.row-1.sha256") == Place(own, key="sockets.row-1.sha256")
    assert kite.place("chips.row-1.size") == Place(core, key="layouts.two-rows.sockets.row-1.size")
    assert kite.place("chips.row-1.part") == Place(core, key="layouts.two-rows.sockets.row-1.part")
    assert kite.place("chips.row-2.part") == Place(own, key="sockets.row-2.part")
    assert kite.place("chips.song.sha256") == Place(core, key="layouts.two-rows.sockets.song.empty.sha256")
    assert kite.place("rom.1.steps.2.at") == Place(core, key="layouts.two-rows.rom.1.steps.2.at")
    assert kite.place("rom.1.steps.1.join.2.then.1.invert") == Place(
        core, key="layouts.two-rows.sockets.row-2.then.1.invert"
    )
    assert kite.place("rom.1.steps.3.fill") == Place(core, key="layouts.two-rows.sockets.paint.empty")


def test_a_variant_states_only_what_differs(inputs: Path) -> None:
    title(inputs, f'{KITE}\n[[rom]]\npath = "KITE.ROM"\nsha256 = "{"a" * 64}"\n')
    two = title(inputs, f'name = "Kite Two"\nlike = "kite"\nsockets.row-2 = {{ sha256 = "{"3" * 64}" }}', "kite-two")
    in_full = KITE_IN_FULL.replace("2" * 64, "3" * 64).replace(', crc32 = "0000000a"', "").replace("27C32", "2732")
    in_full = in_full.replace('name = "Kite"', 'name = "Kite Two"').replace("KITE.ROM", "KITETWO.ROM")
    assert two == title(inputs, in_full, "kite-two")


def test_a_rom_file_that_comes_out_the_same_has_the_same_hash(inputs: Path) -> None:
    pinned = f'[[rom]]\npath = "{{title}}.ROM"\nsha256 = "{"a" * 64}"\n'
    title(inputs, f"{KITE}\n{pinned}")
    same = title(inputs, 'name = "Kite Two"\nlike = "kite"\nbuttons = 1', "kite-two")
    assert [(rom.path, rom.sha256) for rom in same.roms] == [("KITETWO.ROM", "a" * 64)]
    assert same.place("rom.1.sha256") == Place("inputs/titles/kite.toml", key="rom.1.sha256")


def test_a_title_changes_steps_and_adds_to_them(inputs: Path) -> None:
    changed = f"""{KITE}
[chips.sub]
size = "1 KiB"
sha256 = "{"4" * 64}"

[[rom]]
path = "KITE.ROM"
placement = "one-piece"

[[rom.steps]]
id = "program"
at = 0x0800
join = ["row-1", "row-2"]

[[rom.steps]]
at = 0x0900
chip = "sub"
over = true

[[rom]]
path = "MORE.ROM"
size = "4 KiB"
steps = [{{ at = 0, chip = "row-2" }}]
"""
    kite = title(inputs, changed)
    assert [(rom.path, rom.placement, [step.at for step in rom.steps]) for rom in kite.roms] == [
        ("KITE.ROM", "one-piece", [0x0800, 0x2000, 0x3000, 0x0900]),
        ("MORE.ROM", "anywhere", [0]),
    ]
    assert [str(change) for change in kite.roms[1].steps[0].piece.then] == [
        "Change(operation='invert', arguments=True)"
    ]
    own, core = "inputs/titles/kite.toml", "inputs/cores/lamp.toml"
    assert kite.place("rom.1.steps.1.at") == Place(own, key="rom.1.steps.1.at")
    assert kite.place("rom.1.steps.2.at") == Place(core, key="layouts.two-rows.rom.1.steps.2.at")
    assert kite.place("rom.1.steps.4.over") == Place(own, key="rom.1.steps.2.over")
    assert kite.place("rom.1.placement") == Place(own, key="rom.1.placement")
    assert kite.place("rom.2.size") == Place(own, key="rom.2.size")
