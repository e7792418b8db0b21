"""``doit translate`` as a person runs it: what it prints, what it writes, and what it refuses."""

from __future__ import annotations

import json
from hashlib import sha256
from pathlib import Path

from pipeline.commands.translate import Translate
from tests.support.cli import demo_copy, within, write_tree
from tests.unit.roms.workshop import noise

A, B = bytes(range(64)), b"\xff" * 32
BASE, WITH_END = noise(1024, 1), noise(1020, 2) + b"\x1aend"
SCRIPT = "@echo off\r\nrem the set\r\ncopy /b a.bin+b.bin t.tmp >nul\r\ncopy /b t.tmp+a.bin GAME.ROM\r\ndel t.tmp\r\n"
DRAFT = f"""\
# make.bat: batch; 1 ROM file drafted

# Drafted from the script make.bat. "<blank>" stands for what only a person can know; "doit check" lists every blank.
name = "<blank>"
core = "<blank>"

# a.bin
[chips.a]
size = 64
sha256 = "{sha256(A).hexdigest()}"

# b.bin
[chips.b]
size = 32
sha256 = "{sha256(B).hexdigest()}"

[[rom]]
path = "GAME.ROM"
size = 160
sha256 = "{sha256(A + B + A).hexdigest()}"

# line 3: copy /b a.bin+b.bin t.tmp >nul
[[rom.steps]]
at = 0x0000
chip = "a"

# line 3: copy /b a.bin+b.bin t.tmp >nul
[[rom.steps]]
at = 0x0040
chip = "b"

# line 4: copy /b t.tmp+a.bin GAME.ROM
[[rom.steps]]
at = 0x0060
chip = "a"
"""


def folder_with(tmp_path: Path, script: str = SCRIPT, name: str = "make.bat") -> Path:
    write_tree(tmp_path, {"a.bin": A, "b.bin": B, name: script})
    return tmp_path


def test_a_title_is_printed_with_the_line_beside_each_step(tmp_path: Path) -> None:
    ran = within(folder_with(tmp_path), Translate, "make.bat")
    assert (ran.code, ran.err) == (0, "")
    assert ran.out == DRAFT


def test_the_folder_is_named_apart_and_nothing_in_it_changes(tmp_path: Path) -> None:
    write_tree(tmp_path, {"dumps/a.bin": A, "dumps/b.bin": B, "scripts/make.bat": SCRIPT})
    before = sorted(tmp_path.rglob("*"))
    ran = within(tmp_path, Translate, "scripts/make.bat", "--in", "dumps")
    assert ran.out == DRAFT.replace("# make.bat: batch", "# scripts/make.bat: batch", 1)
    assert sorted(tmp_path.rglob("*")) == before


def test_what_is_open_is_listed_with_its_line_and_the_exit_code_says_so(tmp_path: Path) -> None:
    script = "#!/bin/sh\ncat a.bin b.bin > sure.rom\ncat a.bin > game.rom\n./romfix game.rom\n"
    ran = within(folder_with(tmp_path, script, "make.sh"), Translate, "make.sh")
    assert (ran.code, ran.err) == (1, "")
    assert ran.out.splitlines()[:4] == [
        "# make.sh: shell; 1 ROM file drafted",
        '# make.sh:4: open: ./romfix: a program whose effect is not known; so what "game.rom" may hold is open',
        "# make.sh:4: open: game.rom is not drafted: it is open: line 4: ./romfix: a program whose effect is not known",
        "# hint: with the finished files at hand, --finished FOLDER explains what is open from them",
    ]
    assert ran.out.count("[[rom]]") == 1


def test_a_finished_file_closes_what_the_script_leaves_open(tmp_path: Path) -> None:
    """``type`` behind a byte 0x1A is not documented; the file that was made once says what it did."""
    script = "@echo off\r\ncopy /b b.bin game.rom >nul\r\ntype a.bin >> game.rom\r\n"
    write_tree(folder_with(tmp_path, script), {"a.bin": WITH_END, "b.bin": BASE, "made/GAME.ROM": BASE + WITH_END})
    assert within(tmp_path, Translate, "make.bat").out.count("[[rom]]") == 0
    ran = within(tmp_path, Translate, "make.bat", "--finished", "made")
    assert (ran.code, ran.err) == (0, "")
    cause = 'type: "a.bin" holds a byte 0x1A, and what type does there is not documented; copy /b copies all'
    assert ran.out.splitlines()[:3] == [
        "# make.bat: batch; 1 ROM file drafted",
        f"# make.bat:3: note: game.rom: from 0x0400 on it is open: line 3: {cause}; its steps are found from the "
        "finished file",
        f"# make.bat:3: note: {cause}",
    ]
    assert ran.out.endswith(
        """
# line 2: copy /b b.bin game.rom >nul
[[rom.steps]]
at = 0x0000
chip = "b"

# found from the finished file
[[rom.steps]]
at = 0x0400
chip = "a"
"""
    )


def test_a_finished_file_that_is_not_the_scripts_explains_nothing(tmp_path: Path) -> None:
    script = "copy /b b.bin game.rom >nul\r\ntype a.bin >> game.rom\r\n"
    write_tree(folder_with(tmp_path, script), {"a.bin": WITH_END, "b.bin": BASE, "made/GAME.ROM": WITH_END + BASE})
    ran = within(tmp_path, Translate, "make.bat", "--finished", "made")
    assert ran.code == 1
    assert ran.out.splitlines()[1].endswith(
        "; the finished file has other bytes at 0x0000 to 0x03FF than line 1 puts there"
    )
    assert ran.out.count("[[rom]]") == 0


def test_a_file_that_the_folder_holds_already_is_compared(tmp_path: Path) -> None:
    write_tree(folder_with(tmp_path), {"GAME.ROM": A + B + A})
    assert (
        within(tmp_path, Translate, "make.bat").out.splitlines()[1] == "# GAME.ROM: the same as the file in the folder"
    )
    write_tree(tmp_path, {"GAME.ROM": A + B})
    assert (
        within(tmp_path, Translate, "make.bat").out.splitlines()[1] == "# GAME.ROM: differs from the file in the folder"
    )


def test_files_that_went_into_others_are_drafted_when_asked_for(tmp_path: Path) -> None:
    script = "cat a.bin b.bin > half.rom\ncat half.rom half.rom > whole.rom\n"
    folder = folder_with(tmp_path, script, "make.sh")
    ran = within(folder, Translate, "make.sh")
    assert ran.code == 0
    assert ran.out.splitlines()[:2] == [
        "# make.sh: shell; 1 ROM file drafted",
        "# make.sh:1: note: half.rom went into other files and is not drafted; --all drafts it",
    ]
    assert 'path = "half.rom"' in within(folder, Translate, "make.sh", "--all").out


def test_the_draft_is_written_as_a_title_over_nothing_that_is_there(tmp_path: Path) -> None:
    folder = folder_with(demo_copy(tmp_path))
    ran = within(folder, Translate, "make.bat", "--title", "from-script")
    assert (ran.code, ran.err) == (0, "")
    assert ran.out == "written inputs/titles/from-script.toml\nmake.bat: batch; 1 ROM file drafted\n"
    text = (folder / "inputs/titles/from-script.toml").read_text()
    assert text.startswith("# Drafted from the script make.bat.")
    again = within(folder, Translate, "make.bat", "--title", "from-script")
    assert again.code == 2
    assert again.err == (
        "inputs/titles/from-script.toml: exists already; nothing was written\n"
        "  hint: choose another id, or move it away\n"
    )


def test_arguments_go_to_the_script(tmp_path: Path) -> None:
    folder = folder_with(tmp_path, "copy /b %1+%2 %~n1.rom\r\n", "join.cmd")
    document = json.loads(within(folder, Translate, "--json", "join.cmd", "b.bin", "a.bin").out)
    assert document["cardkiln-translate"] == 1
    assert [rom["file"] for rom in document["roms"]] == ["b.rom"]
    assert document["roms"][0]["sha256"] == sha256(B + A).hexdigest()


def test_links_that_leave_the_folder_are_not_followed(tmp_path: Path) -> None:
    write_tree(tmp_path, {"secret": b"secret", "in/make.sh": "cat link a/secret > x\n"})
    (tmp_path / "in/link").symlink_to(tmp_path / "secret")
    (tmp_path / "in/a").symlink_to(tmp_path)
    ran = within(tmp_path, Translate, "in/make.sh")
    assert ran.code == 1
    assert ran.out.splitlines()[0] == "in/make.sh: shell; 0 ROM files drafted"
    assert 'cat: "link" is not in the folder' in ran.out


def test_what_is_not_there_is_refused(tmp_path: Path) -> None:
    folder = folder_with(tmp_path)
    assert within(folder, Translate, "none.sh").err == "none.sh: there is no such script\n"
    assert within(folder, Translate, "make.bat", "--in", "none").err == (
        "none: there is no such folder\n  hint: name the one in which the script would run\n"
    )
    assert within(folder, Translate, "make.bat", "--as", "basic").err == (
        'found --as "basic", expected "batch", "shell" or "make"\n'
    )
    assert within(folder, Translate).err == ("expected SCRIPT [ARGUMENT ...]\n  hint: see doit help translate\n")
