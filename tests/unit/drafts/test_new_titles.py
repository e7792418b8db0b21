"""``doit new titles``: a folder of dump sets becomes a shelf of titles; nothing that is not certain is written as such.

That files bear their socket's name, and that a set may hold only what differs from another, is common practice.
"""

from __future__ import annotations

import json
import os
import random
import shlex
import tomllib
import zipfile
from pathlib import Path

import pytest

from pipeline.commands.new import New
from pipeline.commands.pin import Pin
from pipeline.manifest.load import load
from pipeline.model.text import shown
from tests.support import small
from tests.support.cli import Ran, digests, doit, within, write_tree
from tests.unit.sources.zips import pack

LAYOUT = """
[layouts.two-rows.sockets]
u1 = { size = "1 KiB", part = "2708" }
u2 = { size = "1 KiB" }
"6.h" = { size = 32, empty = 0xFF }

[[layouts.two-rows.rom]]
path = "{title}.ROM"
size = "3 KiB"
fill = 0
[[layouts.two-rows.rom.steps]]
at = 0
join = ["u1", "u2"]
[[layouts.two-rows.rom.steps]]
at = 0x800
chip = "6.h"
"""
ONE_ROW = """
[layouts.one-row.sockets]
u1 = { size = "1 KiB" }
[[layouts.one-row.rom]]
path = "{title}.ROM"
size = "1 KiB"
[[layouts.one-row.rom.steps]]
at = 0
chip = "u1"
"""
CARD = small.CARD.replace('titles = ["snail-race"]\n', 'tags = ["shelf"]\n')


def chip(name: str, size: int = 1024) -> bytes:
    return random.Random(name).randbytes(size)


A1, A2, A6, B2 = chip("a1"), chip("a2"), chip("a6", 32), chip("b2")
MOTH = {"sets/Moth/moth.u1": A1, "sets/Moth/moth.u2": A2, "sets/Moth/6h.bin": A6}
CORE = "inputs/cores/fern.toml"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    small.small_project(tmp_path, {CORE: small.CORE + LAYOUT, "inputs/sources.toml": 'places = ["files", "../sets"]\n'})
    (tmp_path / "inputs/titles/snail-race.toml").unlink()
    write_tree(tmp_path, {"inputs/cards/desk.toml": CARD.replace('tags = ["shelf"]\n', "")})
    return tmp_path


def new(folder: Path, *words: str) -> Ran:
    return within(folder, New, "titles", *words)


def text_of(folder: Path, id_: str) -> str:
    return (folder / f"inputs/titles/{id_}.toml").read_text("utf-8")


def titles(folder: Path) -> list[str]:
    return sorted(path.name for path in (folder / "inputs/titles").glob("*"))


BLANKS_ARE = '"<blank>" stands for what only a person can know; "doit check" lists every blank.'


def test_folders_and_archives_become_titles_with_their_chips_in_sockets(folder: Path) -> None:
    write_tree(folder, {**MOTH, "sets/Moth/README.txt": b"dumped in the hall", "sets/mothb/b-u2.rom": B2})
    pack(folder / "sets/Plum Tree.ZIP", {"plum/u1.rom": A2, "plum/u2.rom": A1})
    ran = new(folder, "sets", "--core", "fern", "--layout", "two-rows")
    assert ran == Ran(
        0,
        "title      chips  blank  unknown  how they are known\n"
        "moth           3      0        0  3 by name\n"
        "mothb          1      0        0  1 by name; like moth by its name, which is only a hint\n"
        "plum-tree      2      0        0  2 by name\n"
        "\n"
        "written 3 titles in inputs/titles\n",
        "",
    )
    assert text_of(folder, "moth") == (
        f"# Drafted from Moth. {BLANKS_ARE}\n"
        "# Taken for no dump: sets/Moth/README.txt\n"
        'name = "Moth"\n'
        'core = "fern"\n'
        'layout = "two-rows"\n'
        "\n"
        "[sockets]\n"
        "# moth.u1, by its name\n"
        f'u1 = {{ sha256 = "{small.sha(A1)}" }}\n'
        "# moth.u2, by its name\n"
        f'u2 = {{ sha256 = "{small.sha(A2)}" }}\n'
        "# 6h.bin, by its name\n"
        f'"6.h" = {{ sha256 = "{small.sha(A6)}" }}\n'
    )
    assert text_of(folder, "mothb") == (
        f"# Drafted from mothb. {BLANKS_ARE}\n"
        'name = "mothb"\n'
        "# It lacks u1; a variant by its name, which is only a hint.\n"
        'like = "moth"\n'
        "\n"
        "[sockets]\n"
        "# b-u2.rom, by its name\n"
        f'u2 = {{ sha256 = "{small.sha(B2)}" }}\n'
    )
    assert text_of(folder, "plum-tree").startswith(f'# Drafted from Plum Tree.ZIP. {BLANKS_ARE}\nname = "Plum Tree"\n')


def test_what_is_drafted_without_blanks_builds_at_once(folder: Path) -> None:
    """The ROM files are the chips one after the other, put together here by hand."""
    write_tree(folder, {**MOTH, "sets/mothb/b-u2.rom": B2})
    assert new(folder, "sets").code == 0
    write_tree(folder, {"inputs/cards/desk.toml": small.CARD.replace('["snail-race"]', '["moth", "mothb"]')})
    assert doit(folder).code == 0
    roms = digests(folder / "build/roms")
    assert roms == {
        "moth/MOTH.ROM": small.sha(A1 + A2 + A6 + bytes(992)),
        "mothb/MOTHB.ROM": small.sha(A1 + B2 + A6 + bytes(992)),
    }


def test_what_fits_two_sockets_is_blank_and_listed_with_the_commands_that_choose(folder: Path) -> None:
    write_tree(folder, {"sets/kite/a": A1, "sets/kite/b c": A2, "sets/kite/u1.old": chip("x", 2048)})
    ran = new(folder, "sets")
    assert ran == Ran(
        0,
        "title  chips  blank  unknown  how they are known\n"
        "kite       0      2        3\n"
        "\n"
        "kite: 2 files of the set may be for socket u1\n"
        "    doit pin title:kite sockets.u1 sets/kite/a\n"
        "    doit pin title:kite sockets.u1 'sets/kite/b c'\n"
        "kite: 2 files of the set may be for socket u2\n"
        "    doit pin title:kite sockets.u2 sets/kite/a\n"
        "    doit pin title:kite sockets.u2 'sets/kite/b c'\n"
        "kite: sets/kite/u1.old, 2 KiB, fits no socket that is left\n"
        "\n"
        "written 1 title in inputs/titles, 1 with blanks\n"
        "next    fill the blanks in; doit check lists them\n",
        "",
    )
    assert text_of(folder, "kite").partition("[sockets]\n")[2] == (
        "# may be a or b c\n"
        'u1 = { sha256 = "<blank>" }\n'
        "# may be a or b c\n"
        'u2 = { sha256 = "<blank>" }\n'
        "\n"
        "# Fit no socket that is left:\n"
        "#   u1.old, 2 KiB\n"
    )
    for line in (ran.out.splitlines()[4], ran.out.splitlines()[8]):
        assert within(folder, Pin, *shlex.split(line)[2:]).code == 0
    assert tomllib.loads(text_of(folder, "kite"))["sockets"] == {
        "u1": {"sha256": small.sha(A1)},
        "u2": {"sha256": small.sha(A2)},
    }


def test_a_variant_of_which_title_is_not_known_is_blank_and_all_are_named(folder: Path) -> None:
    write_tree(folder, {**MOTH, "sets/kite/u1": A2, "sets/kite/u2": A1, "sets/zebra/u2": B2})
    ran = new(folder, "sets")
    assert ran.out.splitlines()[3:] == [
        "zebra      1      1        0  1 by name",
        "",
        "zebra: lacks u1; it may be like kite or moth",
        "",
        "written 3 titles in inputs/titles, 1 with blanks",
        "next    fill the blanks in; doit check lists them",
    ]
    assert text_of(folder, "zebra").partition("name = ")[2] == (
        '"zebra"\n'
        "# It lacks u1; it may be a variant of kite or moth.\n"
        'like = "<blank>"\n'
        "\n"
        "[sockets]\n"
        "# u2, by its name\n"
        f'u2 = {{ sha256 = "{small.sha(B2)}" }}\n'
    )


def test_order_decides_only_when_told(folder: Path) -> None:
    write_tree(folder, {"sets/kite/p9": A1, "sets/kite/p10": A2})
    assert "kite       2      0        0  2 by order\n" in new(folder, "sets", "--in-order").out
    assert f'# p9, by the order of the files\nu1 = {{ sha256 = "{small.sha(A1)}" }}' in text_of(folder, "kite")


def test_a_checksum_list_in_the_core_comes_first(folder: Path) -> None:
    """The list is as ``sha256sum`` writes it (GNU Coreutils manual, "sha2 utilities")."""
    known = f"{small.sha(A1)}  kite/u1.bin\n{small.sha(A2)} *kite/u2\n{small.sha(B2)}  u2\n"
    core = small.CORE + LAYOUT.replace(
        "[[layouts.two-rows.rom]]", f"[layouts.two-rows]\nknown = '''\n{known}'''\n[[layouts.two-rows.rom]]", 1
    )
    write_tree(folder, {CORE: core, "sets/kite/one": A1, "sets/kite/two": A2, "sets/owl/x": B2, "sets/owl/u1": A1})
    ran = new(folder, "sets")
    assert ran.out.splitlines()[1:3] == [
        "kite       2      0        0  2 by list",
        "owl        2      0        0  2 by list",
    ]
    assert f'# one, by the checksum list\nu1 = {{ sha256 = "{small.sha(A1)}" }}' in text_of(folder, "kite")


def test_of_several_layouts_the_one_is_taken_that_a_set_fits(folder: Path) -> None:
    write_tree(folder, {CORE: small.CORE + LAYOUT + ONE_ROW, **MOTH, "sets/solo/u1": B2, "sets/odd/zz": b"1234"})
    write_tree(folder, {"sets/pair/a": A1, "sets/pair/b": A2})
    ran = new(folder, "sets")
    assert ran.code == 1
    assert ran.out.splitlines() == [
        "title  chips  blank  unknown  how they are known",
        "moth       3      0        0  3 by name",
        "solo       1      0        0  1 by name",
        "",
        "no title:",
        "  odd: fits none of the layouts; name one with --layout",
        "  pair: fits none of the layouts; name one with --layout",
        "",
        "written 2 titles in inputs/titles",
    ]
    assert 'layout = "one-row"' in text_of(folder, "solo")
    assert new(folder, "sets", "--layout", "two-rows").out.splitlines()[1:2] == ["pair       0      2        2"]


def test_a_core_without_layouts_gives_drafts_as_of_single_titles(folder: Path) -> None:
    write_tree(folder, {CORE: small.CORE, "sets/moth/u1.bin": A1, "sets/moth/u2.bin": A2})
    ran = new(folder, "sets")
    assert (ran.code, ran.out.splitlines()[1]) == (0, "moth       2      3        0")
    write_tree(folder, {"sets/half/u1.bin": b""})
    assert "  half: u1.bin has 0 bytes; expected a dump\n" in new(folder, "sets").out
    single = within(folder, New, "title", "single", "sets/moth")
    assert single.code == 0
    assert text_of(folder, "moth").replace('name = "moth"', 'name = "<blank>"') == text_of(folder, "single")


def test_titles_that_would_be_called_alike_on_the_card_are_told_apart(folder: Path) -> None:
    names = ["moth-pantry", "moth-pantry-2", "moth-pantry-3"]
    write_tree(folder, {f"sets/{name}/{socket}": chip(name + socket) for name in names for socket in ("u1", "u2")})
    assert new(folder, "sets").code == 0
    assert ["file-name" in text_of(folder, name) for name in names] == [False, True, True]
    paths = [title.roms[0].path for title in load(folder / "inputs", folder).titles.values()]
    assert paths == ["MOTHPANT.ROM", "MOTHPAN2.ROM", "MOTHPAN3.ROM"]


def test_a_title_that_exists_stays_and_the_rest_is_drafted(folder: Path) -> None:
    write_tree(folder, MOTH)
    assert new(folder, "sets").code == 0
    before = text_of(folder, "moth")
    write_tree(folder, {"sets/Moth/moth.u1": B2, "sets/mothb/u1": B2, "sets/mothb!/u1": A1, "sets/kite/u1": A1})
    ran = new(folder, "sets")
    assert ran == Ran(
        1,
        "title  chips  blank  unknown  how they are known\n"
        "kite       1      0        0  1 by name; like moth by 1 chip that both have\n"
        "\n"
        "no title:\n"
        "  Moth: inputs/titles/moth.toml exists already\n"
        "  mothb: mothb and mothb! give the same id, mothb; rename all but one\n"
        "  mothb!: mothb and mothb! give the same id, mothb; rename all but one\n"
        "\n"
        "written 1 title in inputs/titles\n",
        "",
    )
    assert text_of(folder, "moth") == before
    assert tomllib.loads(text_of(folder, "kite")) == {"name": "kite", "like": "moth", "sockets": {}}


def test_json_has_everything(folder: Path) -> None:
    write_tree(
        folder, {**MOTH, "sets/owl/u1": A1, "sets/owl/a": A2, "sets/owl/b": B2, "sets/owl/c": b"?", "loose": b""}
    )
    write_tree(folder, {"sets/none/LICENSE": b"CC0"})
    ran = new(folder, "sets", "--json")
    assert ran.code == 1
    found = json.loads(ran.out)
    moth, owl = found.pop("titles")
    assert found == {
        "cardkiln-new": 1,
        "written": ["inputs/titles/moth.toml", "inputs/titles/owl.toml"],
        "no-title": [{"set": "none", "why": "holds no dump", "hint": ""}],
        "notes": [],
        "warnings": [],
    }
    assert moth["sockets"]["u1"] == {"file": "sets/Moth/moth.u1", "by": "name", "sha256": small.sha(A1)}
    assert owl == {
        "title": "owl",
        "set": "owl",
        "manifest": "inputs/titles/owl.toml",
        "blanks": ["sockets.u2.sha256"],
        "layout": "two-rows",
        "like": "",
        "like-by": "",
        "may-be-like": [],
        "sockets": {"u1": {"file": "sets/owl/u1", "by": "name", "sha256": small.sha(A1)}},
        "open": {"u2": ["sets/owl/a", "sets/owl/b"]},
        "unknown": [
            {"file": "sets/owl/a", "size": 1024, "may-fit": ["u2"]},
            {"file": "sets/owl/b", "size": 1024, "may-fit": ["u2"]},
            {"file": "sets/owl/c", "size": 1, "may-fit": []},
        ],
    }


def test_hostile_sets_are_named_with_the_reason_and_stop_no_other(folder: Path) -> None:
    write_tree(folder, {**MOTH, "sets/...": b"loose", "sets/.hidden/u1": A1, "sets/\u0416/u1": A1})
    write_tree(folder, {"sets/in/u1": A1, "sets/in/u2": A2, "sets/aux/u1": A1, "sets/aux/u2": A2})
    pack(folder / "sets/in/box.zip", {"6.h": A6})
    write_tree(folder, {"sets/evil\x1b[2J\n/u1": A1, "sets/evil\x1b[2J\n/u2": A2})
    (folder / "sets/hollow").mkdir()
    (folder / "sets/linked").symlink_to(folder / "sets/Moth")
    os.mkfifo(folder / "sets/pipe")
    os.mkfifo(folder / "sets/Moth/pipe")
    with zipfile.ZipFile(folder / "sets/out.zip", "w") as archive:
        archive.writestr("../u1", A1)
    with zipfile.ZipFile(folder / "sets/long.zip", "w") as archive:
        archive.writestr("u" * 65_000, A1)
    write_tree(folder, {"sets/cut.zip": b"PK\x03\x04" + bytes(40), "sets/deep/x.zip": b"PK\x03\x04" + bytes(40)})
    ran = new(folder, "sets")
    assert ran.code == 1
    assert ran.out.splitlines() == [
        "title    chips  blank  unknown  how they are known",
        "aux-1        2      0        0  2 by name",
        "evil-2j      2      0        0  2 by name",
        "in           3      0        0  3 by name",
        "moth         3      0        0  3 by name",
        "",
        "no title:",
        "  \u0416: its name gives no id; rename it, or draft it by doit new title ID",
        "  cut.zip: is cut off: the directory at its end is missing",
        "  deep: x.zip: is cut off: the directory at its end is missing",
        "  hollow: holds no file",
        "  linked: is a link, which is not followed",
        f"  long.zip: is refused: the name '{'u' * 200}' has 65,000 characters; 4,096 is the limit",
        "  out.zip: is refused: the name '../u1' leads out of the archive by \"..\"",
        "  pipe: is a pipe (FIFO)",
        "",
        "written 4 titles in inputs/titles",
    ]
    assert tomllib.loads(text_of(folder, "evil-2j"))["name"] == "evil [2J"
    assert shown("evil\x1b[2J\n") in text_of(folder, "evil-2j")


def test_a_file_that_cannot_be_read_leaves_its_set_out(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from pipeline.sources.search import matcher

    def refusing(*_: object) -> object:
        raise PermissionError(13, "Permission denied")

    write_tree(folder, MOTH)
    pack(folder / "sets/kite.zip", {"u1": A1, "u2": A2})
    monkeypatch.setattr(matcher, "digest", refusing)
    ran = new(folder, "sets")
    assert ran.code == 1
    assert "  Moth: 6h.bin: it cannot be read: Permission denied, and 2 more faults\n" in ran.out
    assert titles(folder) == ["kite.toml"]


@pytest.mark.parametrize("failing", ["write_bytes", "replace"])
def test_a_full_disk_leaves_no_title_of_this_run(folder: Path, failing: str, monkeypatch: pytest.MonkeyPatch) -> None:
    write_tree(folder, {**MOTH, "sets/kite/u1": A1, "sets/kite/u2": A2, "inputs/titles/other.toml": "name = 5"})
    real, calls = getattr(Path, failing), list[Path]()

    def full(path: Path, argument: object) -> object:
        calls.append(path)
        if len(calls) == 2:
            raise OSError(28, "No space left on device", str(path))
        return real(path, argument)

    monkeypatch.setattr(Path, failing, full)
    assert new(folder, "sets") == Ran(
        3,
        "",
        "inputs/titles: cannot be written: No space left on device; nothing was written\n"
        "  hint: make room on the disk, or check the permissions\n",
    )
    assert titles(folder) == ["other.toml"]


def test_a_folder_outside_of_all_places_and_files_beside_the_sets_are_pointed_out(folder: Path) -> None:
    write_tree(folder, {"away/moth/u1": A1, "away/moth/u2": A2, "away/notes.txt": b"x", "away/more.txt": b"x"})
    assert new(folder, "away").out.splitlines()[-3:] == [
        "note    2 files beside the sets, in none of them: more.txt and 1 more",
        "note    in no place of sources.toml: away; add it to its places",
        "written 1 title in inputs/titles",
    ]


@pytest.mark.parametrize(
    ("words", "code", "message"),
    [
        (["sets"], 2, "sets: there is no such folder\n"),
        ([""], 2, "there is no such folder\n"),
        (["inputs/files/system"], 2, "inputs/files/system: holds no folder and no archive of dumps\n"
         "  hint: put the dumps of each title into a folder or an archive of its own\n"),
        (["inputs/sources.toml"], 2, "inputs/sources.toml: is not a folder; expected one that holds a folder or "
         "archive for each title\n"),
        (["inputs", "--core", "ferm"], 2, 'found --core "ferm", expected the id of a core\n'
         '  hint: did you mean "fern"?\n'),
        (["inputs", "--layout", "two-row"], 2, 'inputs/cores/fern.toml: has no layout "two-row"\n'
         '  hint: did you mean "two-rows"?\n'),
        (["a", "b"], 2, "expected titles FOLDER [--core ID] [--layout NAME] [--tag WORD]\n  hint: see doit help new\n"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused(folder: Path, words: list[str], code: int, message: str) -> None:
    assert new(folder, *words) == Ran(code, "", message)


def test_options_of_titles_belong_to_titles(folder: Path) -> None:
    assert within(folder, New, "title", "moth", "--core", "fern") == Ran(
        2, "", "--core, --layout, --tag, --in-order: expected titles FOLDER\n  hint: see doit help new\n"
    )


@pytest.mark.parametrize("layout", ["", LAYOUT])
def test_every_title_gets_the_tag_by_which_a_card_takes_all(folder: Path, layout: str) -> None:
    write_tree(folder, {CORE: small.CORE + layout, **MOTH, "sets/mothb/u1": B2})
    assert new(folder, "sets", "--tag", "fair-day").code == 0
    assert [tomllib.loads(text_of(folder, id_))["tags"] for id_ in ("moth", "mothb")] == [["fair-day"]] * 2
    assert new(folder, "sets", "--tag", "Fair") == Ran(
        2, "", 'found --tag "Fair", expected lower-case words with hyphens\n'
    )


def test_a_pipe_among_the_manifests_is_never_waited_for(folder: Path) -> None:
    write_tree(folder, MOTH)
    os.mkfifo(folder / "inputs/titles/kite.toml")
    assert new(folder, "sets").code == 0
    (folder / CORE).unlink()
    os.mkfifo(folder / CORE)
    assert new(folder, "sets") == Ran(
        3, "", "inputs/cores/fern.toml: found no file, expected a manifest\n  hint: take it out of the folder\n"
    )


def test_a_core_with_problems_is_told_with_them(folder: Path) -> None:
    write_tree(folder, {CORE: small.CORE + LAYOUT.replace("u2 = {", "u3 = {"), **MOTH})
    ran = new(folder, "sets")
    assert ran.code == 2
    assert 'found "u2", expected a socket of this layout' in ran.err
    (folder / CORE).unlink()
    assert new(folder, "sets").err == "expected --core ID\n  hint: doit new core ID drafts one\n"
