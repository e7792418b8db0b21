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
row-1 = {{ size = "4 KiB", sha256 = "{"1" * 64}", part = "2732", holds = "program, first half" }}
row-2 = {{ size = "4 KiB", sha256 = "{"2" * 64}", crc32 = "0000000a", part = "27C32", holds = "program, second half" }}
song = {{ size = "2 KiB", sha256 = "{"7" * 64}", holds = "sound" }}

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


ROW_1 = f'sockets.row-1 = {{ sha256 = "{"1" * 64}" }}\n'
ROW_2 = f'sockets.row-2 = {{ sha256 = "{"2" * 64}" }}\n'
HEAD = 'name = "Kite"\ncore = "lamp"\nlayout = "two-rows"\n'
BOTH = HEAD + ROW_1 + ROW_2


def test_a_socket_left_empty_is_told_with_what_belongs_there(inputs: Path) -> None:
    assert told(inputs, HEAD + ROW_1) == (
        'inputs/titles/kite.toml:4:1: sockets.row-2: socket "row-2" is empty; expected a chip of 4 KiB '
        "(2732, program, second half)\n"
        "  see inputs/cores/lamp.toml:14:9: layouts.two-rows.sockets.row-2\n"
        "  hint: doit pin title:kite sockets.row-2 FILE writes it"
    )


def test_a_socket_too_many_is_told_with_those_that_are_free(inputs: Path) -> None:
    assert told(inputs, BOTH + ROW_1.replace("row-1", "row-3")) == (
        'inputs/titles/kite.toml:6:17: sockets.row-3: found "row-3", expected a socket of layout "two-rows" of core '
        '"lamp"\n'
        "  see inputs/cores/lamp.toml:12:1: layouts.two-rows.sockets\n"
        "  hint: the sockets without a chip are paint, song"
    )
    assert told(inputs, HEAD + ROW_1 + ROW_2.replace("row-2", "rwo-2")).startswith(
        'inputs/titles/kite.toml:4:1: sockets.row-2: socket "row-2" is empty; '
    )
    assert '  hint: did you mean "row-2"?' in told(inputs, HEAD + ROW_1 + ROW_2.replace("row-2", "rwo-2"))


def test_an_unknown_layout_is_told_with_the_nearest(inputs: Path) -> None:
    assert told(inputs, BOTH.replace("two-rows", "tow-rows")) == (
        'inputs/titles/kite.toml:3:10: layout: found "tow-rows", expected a layout of core "lamp"\n'
        "  see inputs/cores/lamp.toml:12:2: layouts\n"
        '  hint: did you mean "two-rows"?'
    )


def test_a_core_without_layouts_is_told(inputs: Path) -> None:
    shutil.copy(CASES / "base/inputs/cores/lamp.toml", inputs / "cores/lamp.toml")
    assert told(inputs, BOTH) == (
        'inputs/titles/kite.toml:3:10: layout: found "two-rows", expected a layout of core "lamp"\n'
        "  see inputs/cores/lamp.toml\n"
        "  hint: it has none; declare it there as [layouts.two-rows]"
    )


def test_sockets_without_a_layout_are_told(inputs: Path) -> None:
    text = f'name = "Kite"\nlike = "moth"\n{ROW_1}'
    assert told(inputs, text) == (
        "inputs/titles/kite.toml:3:17: sockets.row-1: found a chip in a socket, and no layout, which says what sockets "
        "there are\n"
        "  hint: name a layout of the core, or declare it as [chips.row-1]"
    )


def test_blanks_in_sockets_are_told_with_the_command_that_fills_them(inputs: Path) -> None:
    assert told(inputs, HEAD + ROW_1 + 'sockets.row-2 = { sha256 = "<blank>" }') == (
        "inputs/titles/kite.toml:5:28: sockets.row-2.sha256: still to be filled in; expected 64 hexadecimal digits in "
        "quotes\n"
        "  hint: doit pin title:kite sockets.row-2 FILE writes it"
    )


def test_a_step_and_a_rom_file_that_are_not_there_cannot_be_changed(inputs: Path) -> None:
    steps = '[[rom]]\npath = "KITE.ROM"\n[[rom.steps]]\nid = "progam"\nat = 0\nchip = "row-1"\n'
    assert told(inputs, BOTH + steps) == (
        'inputs/titles/kite.toml:9:6: rom.1.steps.1.id: found "progam", expected the id of a step that this title '
        'takes over\n  hint: did you mean "program"?'
    )
    assert told(inputs, BOTH + '[[rom]]\npath = "KIET.ROM"\n') == (
        "inputs/titles/kite.toml:7:8: rom.1.path: found neither size nor steps, and no ROM file with this path to be "
        'changed\n  hint: did you mean "KITE.ROM"?'
    )
    assert told(inputs, BOTH + '[[rom]]\npath = "KITE.ROM"\n[[rom]]\npath = "{title}.ROM"\n') == (
        'inputs/titles/kite.toml:9:8: rom.2.path: found the path "{title}.ROM" a second time, expected once\n'
        "  hint: put both into one [[rom]]"
    )


def test_a_wired_socket_cannot_be_combined_with_another_piece(inputs: Path) -> None:
    steps = 'steps = [{ at = 0, chip = "row-1", then = [{ xor = { chip = "row-2" } }] }]\n'
    steps = f'[[rom]]\npath = "MORE.ROM"\nsize = "4 KiB"\n{steps}'
    assert told(inputs, BOTH + steps) == (
        'inputs/titles/kite.toml:9:61: rom.1.steps.1.then.1.xor.chip: socket "row-2" is wired, and xor takes the bytes '
        "of a chip as they are\n"
        "  see inputs/cores/lamp.toml:14:9: layouts.two-rows.sockets.row-2\n"
        "  hint: put them into a ROM file of their own, or do it in a step"
    )


@pytest.mark.parametrize(
    ("sockets", "steps", "message"),
    [
        (
            "",
            'at = 0x3800\nchip = "rwo-1"',
            'layouts.two-rows.rom.1.steps.4.chip: found "rwo-1", expected a socket of this layout\n'
            '  hint: did you mean "row-1"?',
        ),
        (
            'more = { size = "1 KiB" }',
            'at = 0x3800\nchip = "row-1"',
            'layouts.two-rows.sockets.more: socket "more" is not used by any step\n'
            "  hint: use it in a step, or take it out",
        ),
        (
            "",
            'id = "program"\nat = 0x3800\nchip = "row-1"',
            'layouts.two-rows.rom.1.steps.4.id: found "program" a second time, expected an id of its own for each '
            "step\n"
            "  see inputs/cores/lamp.toml:25:6: layouts.two-rows.rom.1.steps.1.id",
        ),
    ],
)
def test_a_layout_is_checked_by_itself(inputs: Path, sockets: str, steps: str, message: str) -> None:
    core = inputs / "cores/lamp.toml"
    text = core.read_text("utf-8").replace("[[layouts.two-rows.rom]]", f"{sockets}\n[[layouts.two-rows.rom]]", 1)
    core.write_text(f"{text}\n[[layouts.two-rows.rom.steps]]\n{steps}\n", encoding="utf-8")
    with pytest.raises(ManifestError) as caught:
        load(inputs, inputs.parent)
    (problem,) = caught.value.problems
    assert str(problem).partition(": ")[2] == message


def test_paths_of_a_layout_have_one_field(inputs: Path) -> None:
    core = inputs / "cores/lamp.toml"
    core.write_text(core.read_text("utf-8").replace("{title}", "{name}"), encoding="utf-8")
    assert told(inputs, BOTH) == (
        'inputs/cores/lamp.toml:19:8: layouts.two-rows.rom.1.path: found "{name}.ROM", expected a path with no other '
        "braces than those of {title}\n  hint: write {title}"
    )


def test_what_a_title_takes_over_from_is_told_when_it_is_wrong(inputs: Path) -> None:
    """The title itself is right; its line would lead nowhere."""
    write(inputs, f'name = "Kite Two"\nlike = "kite"\n{ROW_2}', "kite-two")
    assert told(inputs, HEAD + ROW_2).startswith('inputs/titles/kite.toml:4:1: sockets.row-1: socket "row-1" is empty')
    assert told(inputs, HEAD + ROW_2).count("inputs/titles/") == 1


LIKES = {
    "unknown": (
        {"kite-two": "kiet"},
        'inputs/titles/kite-two.toml:2:8: like: found "kiet", expected the id of a title\n  hint: did you mean "kite"?',
    ),
    "itself": (
        {"kite-two": "kite-two"},
        "inputs/titles/kite-two.toml:2:8: like: is like itself\n"
        "  hint: take like out of one of them, and state what it has",
    ),
    "a circle": (
        {"a": "b", "b": "a", "c": "b"},
        "inputs/titles/a.toml:2:8: like: is like itself in the end: a, b, a\n"
        "  see inputs/titles/b.toml:2:8: like\n"
        "  hint: take like out of one of them, and state what it has\n"
        "inputs/titles/b.toml:2:8: like: is like itself in the end: b, a, b\n"
        "  see inputs/titles/a.toml:2:8: like\n"
        "  hint: take like out of one of them, and state what it has",
    ),
    "too long": (
        {"a": "b", "b": "c", "c": "kite"},
        "inputs/titles/a.toml:2:8: like: is 3 steps from a title that is like none: a, b, c, kite; expected 2 at most\n"
        "  see inputs/titles/c.toml:2:8: like\n"
        "  see inputs/titles/b.toml:2:8: like\n"
        '  hint: write like = "c", or "kite"',
    ),
}


@pytest.mark.parametrize("case", LIKES)
def test_what_a_title_is_like_leads_to_one_that_is_like_none(inputs: Path, case: str) -> None:
    likes, message = LIKES[case]
    write(inputs, BOTH)
    for id_, like in likes.items():
        write(inputs, f'name = "Like"\nlike = "{like}"\n', id_)
    with pytest.raises(ManifestError) as caught:
        load(inputs, inputs.parent)
    assert str(caught.value) == message


def test_a_variant_of_a_variant_takes_over_from_both(inputs: Path) -> None:
    write(inputs, BOTH + "buttons = 1\n" + '[rights]\nlicence = "CC0-1.0"\n')
    write(inputs, f'name = "B"\nlike = "kite"\ntags = ["rare"]\n{ROW_2.replace("2" * 64, "3" * 64)}', "b")
    one = title(inputs, f'name = "C"\nlike = "b"\n{ROW_1.replace("1" * 64, "4" * 64)}', "c")
    assert {name: chip.content.sha256[0] for name, chip in one.chips.items()} == {
        "row-1": "4",
        "row-2": "3",
        "song": "7",
    }
    assert (one.core, one.layout, one.buttons, one.like, one.tags, one.rights.licence) == (
        "lamp", "two-rows", 1, "b", (), "",
    )  # fmt: skip


def test_a_variant_runs_on_the_same_core(inputs: Path) -> None:
    shutil.copy(inputs / "cores/lamp.toml", inputs / "cores/lantern.toml")
    write(inputs, BOTH)
    assert told(inputs, 'name = "B"\nlike = "kite"\ncore = "lantern"\n', "b") == (
        'inputs/titles/b.toml:3:8: core: found "lantern"; title "kite", which it is like, runs on "lamp"\n'
        "  see inputs/titles/kite.toml:2:8: core\n"
        "  hint: take core out here, or declare it as a title of its own, without like"
    )


def test_what_few_lines_stand_for_is_bounded(inputs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One message, whatever comes behind."""
    monkeypatch.setattr("pipeline.manifest.expand.titles.MOST", 100)
    for number in range(2, 6):
        write(inputs, BOTH, f"kite-{number}")
    assert told(inputs, BOTH) == (
        "inputs/titles/kite-3.toml:3:10: layout: found more than 100 values up to here in titles with all that they "
        "take over, expected fewer\n"
        "  hint: split the titles over several folders of inputs"
    )


@pytest.mark.parametrize("name", ["..", ".hidden", "a/b", "a\\\\b", "C:", "{title}", "a\\u0007"])
def test_a_file_name_stays_in_its_folder(inputs: Path, name: str) -> None:
    assert "expected a name that can be part of a file name" in told(inputs, f'{BOTH}file-name = "{name}"\n')
