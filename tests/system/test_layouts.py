"""Cards whose titles have layouts, or are like other titles: what comes of them is what comes of titles in full."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from pipeline.build import check
from pipeline.build.flow import build_card
from pipeline.commands.find import Find
from pipeline.commands.pin import Pin
from pipeline.commands.publish import Publish
from pipeline.commands.receive import Receive
from pipeline.commands.solve import Solve
from pipeline.commands.why import Why
from pipeline.prove.proof_inputs import lay_down
from tests.support import small
from tests.support.building import build_in
from tests.support.cli import digests, within

RIGHTS = '[rights]\nlicence = "CC0-1.0"\nholder = "A club"\nsource = "its page"\n'

LAYOUT = """
[layouts.pair.sockets]
left = { size = "1 KiB", holds = "program, first half" }
right = { size = "1 KiB", part = "2708", holds = "program, second half", then = [{ invert = true }] }
paint = { size = 32, holds = "colours", empty = 0xFF }
[[layouts.pair.rom]]
path = "{title}.ROM"
size = "3 KiB"
fill = 0
[[layouts.pair.rom.steps]]
at = 0
interleave = ["left", "right"]
[[layouts.pair.rom.steps]]
at = 0x0800
chip = "paint"
then = [{ mirror = 64 }]
"""

A, B = small.sha(small.CHIP_A), small.sha(small.CHIP_B)

OWN_FILES = '[[files]]\npath = "A.TXT"\nfrom = "files/own/A.TXT"\n[[files]]\npath = "B.TXT"\nfrom = "files/own/B.TXT"\n'

KITE = f"""
name = "Kite"
core = "fern"
layout = "pair"
file-name = "KITE"
[sockets]
left = {{ sha256 = "{A}" }}
right = {{ sha256 = "{B}" }}
{OWN_FILES}{RIGHTS}"""

KITE_TWO = f"""
name = "Kite Two"
like = "kite"
buttons = 2
[sockets]
right = {{ sha256 = "{A}" }}
[[files]]
path = "A.TXT"
from = "files/own/B.TXT"
{RIGHTS}"""


def in_full(name: str, stem: str, right: str, files: str, more: str = "") -> str:
    return f"""
name = "{name}"
core = "fern"
{more}
[chips.left]
size = "1 KiB"
sha256 = "{A}"
holds = "program, first half"
[chips.right]
size = "1 KiB"
sha256 = "{right}"
part = "2708"
holds = "program, second half"
[[rom]]
path = "{stem}.ROM"
size = "3 KiB"
fill = 0
[[rom.steps]]
at = 0
interleave = ["left", {{ chip = "right", then = [{{ invert = true }}] }}]
[[rom.steps]]
at = 0x0800
fill = 0xFF
size = 32
then = [{{ mirror = 64 }}]
{files}{RIGHTS}"""


OTHER_FILES = (
    '[[files]]\npath = "B.TXT"\nfrom = "files/own/B.TXT"\n[[files]]\npath = "A.TXT"\nfrom = "files/own/B.TXT"\n'
)

BY_LAYOUT = {"kite": KITE, "kite-two": KITE_TWO}
IN_FULL = {
    "kite": in_full("Kite", "KITE", B, OWN_FILES),
    "kite-two": in_full("Kite Two", "KITETWO", A, OTHER_FILES, "buttons = 2"),
}


def project(folder: Path, titles: dict[str, str], card: str = '["snail-race", "kite", "kite-two"]') -> Path:
    """Return a project with these titles; the second one lies in a folder of its own where both are on the card."""
    own = 'folder = "GOODS/{core}/TWO"\n' if '"kite",' in card else ""
    return small.small_project(
        folder,
        {
            "inputs/boards/oak.toml": small.BOARD + RIGHTS,
            "inputs/cores/fern.toml": small.CORE + LAYOUT + RIGHTS,
            "inputs/titles/snail-race.toml": small.TITLE + RIGHTS,
            "inputs/titles/kite.toml": titles["kite"],
            "inputs/titles/kite-two.toml": own + titles["kite-two"],
            "inputs/files/own/A.TXT": "a\n",
            "inputs/files/own/B.TXT": "b\n",
            "inputs/cards/desk.toml": small.CARD.replace('["snail-race"]', card) + RIGHTS,
        },
    )


def built(folder: Path) -> Path:
    build_card(build_in(folder), "desk", lambda _: None)
    return folder


def test_rom_files_record_sheet_and_image_are_those_of_titles_in_full(tmp_path: Path) -> None:
    by_layout = built(project(tmp_path / "layout", BY_LAYOUT))
    full = built(project(tmp_path / "full", IN_FULL))
    for place in ("build/roms", "build/cards/desk"):
        assert digests(by_layout / place) == digests(full / place)
    assert len(digests(full / "build/cards/desk")) == 5
    sheet = (full / "build/cards/desk/sheet.html").read_text("utf-8")
    assert "chip right (program, second half), invert, lane 1 of 2 (1-byte units)" in sheet


@pytest.fixture
def variant(tmp_path: Path) -> Path:
    """A project whose card has a variant, and not the title it is like."""
    return built(project(tmp_path / "publisher", BY_LAYOUT, '["snail-race", "kite-two"]'))


def test_a_recipe_brings_the_titles_that_its_titles_are_like(variant: Path, tmp_path: Path) -> None:
    assert within(variant, Publish, "desk", "--recipe").code == 0
    recipe = variant / "dist/desk-1-recipe"
    assert sorted(path.name for path in (recipe / "inputs/titles").iterdir()) == [
        "kite-two.toml", "kite.toml", "snail-race.toml",
    ]  # fmt: skip
    assert (recipe / "inputs/files/own/A.TXT").read_bytes() == b""  # named by a title that is not on the card
    (tmp_path / "receiver").mkdir()
    ran = within(tmp_path / "receiver", Receive, str(recipe), str(variant / "inputs/files/attic"))
    assert (ran.code, ran.out.partition("\n")[0]) == (0, "Desk, version 1: image as published")


def test_a_second_build_has_the_titles_that_its_titles_are_like(variant: Path, tmp_path: Path) -> None:
    lay_down(build_in(variant).inputs, "desk", tmp_path / "inputs", swapped=False, backwards=False)
    again = built(tmp_path)
    assert digests(again / "build/cards/desk") == digests(variant / "build/cards/desk")


def test_a_changed_layout_is_told_with_the_titles_and_where_it_stands(variant: Path) -> None:
    core = variant / "inputs/cores/fern.toml"
    core.write_text(core.read_text("utf-8").replace("mirror = 64", "mirror = 128"), encoding="utf-8")
    told = within(variant, Why, "desk").out
    assert "rom     kite-two: the recipe of KITETWO.ROM changed\n" in told
    assert "declared in inputs/cores/fern.toml:16:1: layouts.pair.rom.1\n" in told


def test_a_changed_chip_is_told_with_its_socket(variant: Path) -> None:
    title = variant / "inputs/titles/kite-two.toml"
    title.write_text(title.read_text("utf-8").replace(A, B), encoding="utf-8")
    told = within(variant, Why, "desk").out
    assert "rom     kite-two: chip right changed\n" in told
    assert "declared in inputs/titles/kite-two.toml:6:9: sockets.right\n" in told


TWO_FILES = """
[[layouts.pair.rom]]
path = "{title}.GFX"
size = 64
[[layouts.pair.rom.steps]]
at = 0
chip = "paint"
then = [{ mirror = 64 }]
"""


@pytest.mark.parametrize("keys", [["rom.1", "rom.2"], ["rom.2", "rom.1"], ["rom.KITE.GFX", "rom.KITE.ROM"]])
def test_rom_files_of_a_layout_are_pinned_as_built(tmp_path: Path, keys: list[str]) -> None:
    folder = project(tmp_path, {**BY_LAYOUT, "kite-two": IN_FULL["kite-two"]})
    with (folder / "inputs/cores/fern.toml").open("a", encoding="utf-8") as core:
        core.write(TWO_FILES)
    title = folder / "inputs/titles/kite.toml"
    before = title.read_text("utf-8")
    built(folder)
    for key in keys:
        ran = within(folder, Pin, "title:kite", key, "built")
        assert (ran.code, ran.err) == (0, "")
    path, added = keys[0].removeprefix("rom."), title.read_text("utf-8").removeprefix(before.rstrip())
    path = {"1": "KITE.ROM", "2": "KITE.GFX"}.get(path, path)
    assert added.startswith(f'\n\n[[rom]]\npath = "{path}"\nsha256 = "')
    roms = build_in(folder).inputs.manifest.titles["kite"].roms
    assert {rom.path: rom.sha256 for rom in roms} == digests(folder / "build/roms/kite")
    again = within(folder, Pin, "title:kite", keys[0], "built")
    assert (
        again.out
        == f"rom.{path}: {3 if path.endswith('ROM') else 64} "
        + ("KiB" if path.endswith("ROM") else "bytes")
        + f", sha256 {digests(folder / 'build/roms/kite')[path][:8]}...; as declared in inputs/titles/kite.toml\n"
    )


def test_a_chip_is_pinned_into_its_socket(tmp_path: Path) -> None:
    """Its size goes without saying, as long as it is that of the socket."""
    folder = project(tmp_path, {**BY_LAYOUT, "kite": KITE.replace(B, "<blank>")})
    ran = within(folder, Pin, "title:kite", "sockets.right", "inputs/files/attic/dump(2).bin")
    assert (ran.code, ran.err) == (0, "")
    assert (folder / "inputs/titles/kite.toml").read_text("utf-8") == KITE


def test_a_chip_that_a_variant_takes_over_is_missed_once(tmp_path: Path) -> None:
    folder = project(tmp_path, BY_LAYOUT)
    (folder / "inputs/files/attic/dump(2).bin").unlink()
    told = within(folder, Find).out
    assert told.count("chip right") == 1
    (folder / "inputs/files/attic/x/dump(1).bin").unlink()
    told = within(folder, Find).out
    assert [told.count(f"chip {name}") for name in ("left", "right")] == [1, 2]  # the variant has another one there


def test_solve_explains_a_rom_file_of_a_layout(variant: Path) -> None:
    rom = variant / "build/roms/kite-two/KITETWO.ROM"
    finished = variant / "finished.rom"
    finished.write_bytes(rom.read_bytes()[:0x0800] + bytes([0xFF] * 32) + bytes(0x0BE0 - 0x0800))
    ran = within(variant, Solve, "title:kite-two", "rom.1", "finished.rom")
    assert ran.code == 0
    assert (
        "inputs/cores/fern.toml: layouts.pair.rom.1.steps.2 is wrong: 0x0800: 32 bytes of 0xFF, mirror to 64 bytes: "
        "32 of 64 bytes differ\n"
    ) in ran.out
    ran = within(variant, Solve, "--write", "title:kite-two", "rom.1", "finished.rom")
    assert (ran.code, ran.err) == (
        1,
        "inputs/titles/kite-two.toml: takes ROM files over, this one from inputs/cores/fern.toml: layouts.pair.rom.1; "
        "nothing is written\n  hint: without --write the steps found are printed\n",
    )


def test_a_layout_that_no_title_has_is_told(tmp_path: Path) -> None:
    folder = project(tmp_path, IN_FULL)
    build = build_in(folder)
    assert check.run(build) == "1 board, 1 core, 3 titles, 1 card: no errors, 1 warning"
    assert [str(warning) for warning in build.workspace.take_warnings()] == [
        "inputs/cores/fern.toml:12:10: layouts.pair: no title has this layout\n"
        '  hint: write layout = "pair" in a title of this core, or take the layout out'
    ]
    shutil.rmtree(folder / "inputs")
    build = build_in(project(tmp_path, BY_LAYOUT))
    assert check.run(build) == "1 board, 1 core, 3 titles, 1 card: no problems"


@pytest.mark.parametrize(
    ("chip", "message"),
    [
        (
            f'size = "512 B", sha256 = "{A}"',
            'inputs/titles/kite.toml:8:18: sockets.right.size: is 512 bytes; socket "right" takes 1 KiB, as a 2708 '
            "holds\n"
            "  see inputs/cores/fern.toml:14:18: layouts.pair.sockets.right.size\n"
            "  hint: a smaller chip is often seen again and again: then = [{ mirror = 1024 }]; or the rest is "
            "empty: then = [{ pad = { to = 1024, fill = 0xFF } }]",
        ),
        (
            f'size = "2 KiB", sha256 = "{A}"',
            'inputs/titles/kite.toml:8:18: sockets.right.size: is 2 KiB; socket "right" takes 1 KiB, as a 2708 '
            "holds\n"
            "  see inputs/cores/fern.toml:14:18: layouts.pair.sockets.right.size\n"
            "  hint: do its parts repeat, or is one of them used? then = [{ take = { from = 0, size = 1024 } }]",
        ),
        (
            f'size = 1040, sha256 = "{A}", then = [{{ strip = {{ size = 8, leaves = 1032 }} }}]',
            'inputs/titles/kite.toml:8:18: sockets.right.size: comes to 1,032 bytes by its then; socket "right" takes '
            "1 KiB, as a 2708 holds\n"
            "  see inputs/cores/fern.toml:14:18: layouts.pair.sockets.right.size",
        ),
    ],
)
def test_a_chip_of_another_size_is_told(tmp_path: Path, chip: str, message: str) -> None:
    kite = KITE.replace(f'right = {{ sha256 = "{B}" }}', f"right = {{ {chip} }}")
    build = build_in(project(tmp_path, {**BY_LAYOUT, "kite": kite}))
    told = [str(problem) for problem in build.workspace.located(build.inputs.title_problems)]
    assert told == [message]
