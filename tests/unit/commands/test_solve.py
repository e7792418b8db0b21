"""``doit solve`` as a person runs it: what it prints, what it writes, and what it refuses."""

from __future__ import annotations

import hashlib
import json
import os
import tomllib
import zipfile
from pathlib import Path

import pytest

from pipeline.commands.solve import Solve
from pipeline.solve.solve import LARGEST
from tests.support.cli import demo_copy, own_command, within, write_tree
from tests.unit.roms.workshop import noise

A, B, C = (noise(2048, seed) for seed in range(3))
LANES = bytes(byte for pair in zip(A, B, strict=True) for byte in pair)
FINISHED = b"KILN" + LANES + bytes(255 - byte for byte in C) + b"\xff" * 60
SHA256 = {name: hashlib.sha256(data).hexdigest() for name, data in (("a", A), ("b", B), ("c", C), ("all", FINISHED))}

TEXT = f"""\
# done.rom: 6,208 bytes; 6,208 bytes explained (100 %), 3 steps
# not used: spare

[chips.a]
size = "2 KiB"
sha256 = "{SHA256["a"]}"

[chips.b]
size = "2 KiB"
sha256 = "{SHA256["b"]}"

[chips.c]
size = "2 KiB"
sha256 = "{SHA256["c"]}"

[[rom]]
path = "done.rom"
size = 6208
sha256 = "{SHA256["all"]}"
fill = 0xFF

[[rom.steps]]
at = 0x0000
bytes = "4B 49 4C 4E"

[[rom.steps]]
at = 0x0004
interleave = ["a", "b"]

[[rom.steps]]
at = 0x1004
chip = "c"
then = [{{ invert = true }}]
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_tree(
        tmp_path,
        {"done.rom": FINISHED, "dumps/a.bin": A, "dumps/b.bin": B, "dumps/c.bin": C, "dumps/spare.bin": noise(99, 9)},
    )
    return tmp_path


def test_it_prints_a_manifest_s_table(folder: Path) -> None:
    ran = within(folder, Solve, "done.rom", "dumps")
    assert (ran.code, ran.out, ran.err) == (0, TEXT, "")
    tomllib.loads(ran.out)


def test_doit_knows_the_command(folder: Path) -> None:
    assert own_command(folder, "solve", "done.rom", "dumps/a.bin", "dumps/b.bin", "dumps/c.bin").code == 0


def test_chips_may_lie_in_an_archive(folder: Path) -> None:
    with zipfile.ZipFile(folder / "box.zip", "w") as archive:
        for name, data in (("a", A), ("b", B), ("c", C), ("spare", noise(99, 9))):
            archive.writestr(f"set/{name}.bin", data)
    assert within(folder, Solve, "done.rom", "box.zip").out == TEXT
    members = [f"box.zip/set/{name}.bin" for name in ("a", "b", "c", "spare")]
    assert within(folder, Solve, "done.rom", *members).out == TEXT


def test_what_stays_open_is_listed_and_ends_with_1(folder: Path) -> None:
    (folder / "done.rom").write_bytes(A + noise(1000, 5) + B)
    ran = within(folder, Solve, "done.rom", "dumps")
    assert ran.code == 1
    assert ran.out.splitlines()[:3] == [
        "# done.rom: 5,096 bytes; 4,096 bytes explained (80.38 %), 2 steps",
        "# unexplained: 0x0800 to 0x0BE7, 1,000 bytes: noise, or packed or encrypted",
        "# not used: c, spare",
    ]


def test_json(folder: Path) -> None:
    document = json.loads(within(folder, Solve, "done.rom", "dumps", "--json").out)
    assert document["explained"] == document["size"] == 6208
    assert document["sha256"] == SHA256["all"]
    assert document["rom"]["steps"][1] == {"at": 4, "interleave": ["a", "b"]}
    assert document["unused"] == ["spare"]
    assert document["unexplained"] == document["notes"] == document["wrong"] == []


MANIFEST = f"""\
#:schema ../../schemas/title.schema.json
name = "Fern Rally"   # as on the label
core = "glimmer"

[chips.4t]
size = "2 KiB"
sha256 = "{SHA256["a"]}"
[chips.4u]
size = "2 KiB"
sha256 = "{SHA256["b"]}"
[chips.4v]
size = "2 KiB"
sha256 = "{SHA256["c"]}"
"""

STEPS = """
[[rom.steps]]
at = 0x0000
bytes = "4B 49 4C 4E"

[[rom.steps]]
at = 0x0004
interleave = ["4t", "4u"]

[[rom.steps]]
at = 0x1004
chip = "4v"
then = [{ invert = true }]
"""

DECLARED = f"""
[[rom]]
path = "FERN.ROM"
size = 6208  # from the script
sha256 = "{SHA256["all"]}"
"""

WRONG = """fill = 0x00

[[rom.steps]]
at = 4
interleave = ["4u", "4t"]

[[rom.steps]]
at = 0x1004
chip = "4v"
then = [{ invert = true }]
"""

RIGHTS = """
# nobody's
[rights]
licence = "CC0-1.0"
"""


def title(folder: Path, text: str) -> Path:
    write_tree(folder, {"inputs/titles/fern-rally.toml": text})
    return folder / "inputs/titles/fern-rally.toml"


def test_steps_are_written_into_a_title_that_has_none(folder: Path) -> None:
    manifest = title(folder, MANIFEST)
    ran = within(folder, Solve, "--write", "title:fern-rally", "rom.1", "done.rom", "dumps")
    told = "inputs/titles/fern-rally.toml: rom.1: 3 steps written; they give done.rom\n"
    assert (ran.code, ran.out, ran.err) == (0, told, "")
    rom = f'\n[[rom]]\npath = "done.rom"\nsize = 6208\nsha256 = "{SHA256["all"]}"\nfill = 0xFF\n'
    assert manifest.read_text() == MANIFEST + rom + STEPS


def test_with_replace_only_the_steps_are_written_over(folder: Path) -> None:
    manifest = title(folder, MANIFEST + DECLARED + WRONG + RIGHTS)
    ran = within(folder, Solve, "--write", "--replace", "title:fern-rally", "rom.1", "done.rom", "dumps")
    assert (ran.code, ran.err) == (0, "")
    assert manifest.read_text() == MANIFEST + DECLARED + "fill = 0xFF\n" + STEPS + RIGHTS
    before = manifest.stat().st_mtime_ns
    assert within(folder, Solve, "--write", "title:fern-rally", "rom.1", "done.rom", "dumps").code == 0
    assert manifest.stat().st_mtime_ns == before


def test_other_line_ends_stay(folder: Path) -> None:
    manifest = title(folder, "")
    manifest.write_bytes((MANIFEST + DECLARED + WRONG + RIGHTS).replace("\n", "\r\n").encode())
    assert within(folder, Solve, "--write", "--replace", "title:fern-rally", "rom.1", "done.rom", "dumps").code == 0
    expected = MANIFEST + DECLARED + "fill = 0xFF\n" + STEPS + RIGHTS
    assert manifest.read_bytes() == expected.replace("\n", "\r\n").encode()


def test_other_steps_are_not_written_over_without_being_asked(folder: Path) -> None:
    manifest = title(folder, MANIFEST + DECLARED + WRONG)
    ran = within(folder, Solve, "--write", "title:fern-rally", "rom.1", "done.rom", "dumps")
    assert (ran.code, ran.err) == (
        1,
        "inputs/titles/fern-rally.toml:15:1: rom.1: declares 2 other steps\n"
        "  hint: with --replace the steps found are written\n",
    )
    assert manifest.read_text() == MANIFEST + DECLARED + WRONG


def test_inline_steps_are_refused_and_nothing_is_written(folder: Path) -> None:
    text = MANIFEST + DECLARED + 'steps = [{ at = 0, chip = "4t" }]\n'
    manifest = title(folder, text)
    ran = within(folder, Solve, "--write", "--replace", "title:fern-rally", "rom.1", "done.rom", "dumps")
    assert (ran.code, ran.err) == (
        2,
        "inputs/titles/fern-rally.toml:15:1: rom.1: is written in a form that cannot be added to safely\n"
        "  hint: run without --write, and write the steps by hand\n",
    )
    assert manifest.read_text() == text


def test_nothing_is_written_while_bytes_stay_open(folder: Path) -> None:
    manifest = title(folder, MANIFEST)
    (folder / "done.rom").write_bytes(A + noise(1000, 5))
    ran = within(folder, Solve, "--write", "title:fern-rally", "rom.1", "done.rom", "dumps")
    assert (ran.code, ran.err) == (
        1,
        "inputs/titles/fern-rally.toml: 1,000 bytes of the finished file stay unexplained; nothing is written\n"
        "  hint: without --write the steps found are printed\n",
    )
    assert manifest.read_text() == MANIFEST


def test_a_title_that_means_another_file_is_not_written(folder: Path) -> None:
    title(folder, MANIFEST + DECLARED.replace(SHA256["all"], "0" * 64) + WRONG)
    ran = within(folder, Solve, "--write", "--replace", "title:fern-rally", "rom.1", "done.rom", "dumps")
    assert (ran.code, ran.err) == (
        1,
        "inputs/titles/fern-rally.toml:15:1: rom.1: the finished file has another size or sha256 than is declared "
        "here; nothing is written\n  hint: name the file that is meant, or pin this one first\n",
    )


def test_it_says_which_declared_step_is_wrong(folder: Path) -> None:
    title(folder, MANIFEST + DECLARED + WRONG)
    ran = within(folder, Solve, "title:fern-rally", "rom.1", "done.rom", "dumps")
    differing = sum(2 for x, y in zip(A, B, strict=True) if x != y)
    assert ran.out.splitlines()[1:3] == [
        f"# rom.1.steps.1 is wrong: 0x0004: interleave 4u, 4t (1-byte units): {differing:,} of 4,096 bytes differ",
        "#   fits there: 0x0004: interleave 4t, 4u (1-byte units)",
    ]


def test_chips_of_a_title_are_found_in_the_sources(tmp_path: Path) -> None:
    """The demo: a title's own ROM file, made of its chips in the attic, gives its steps again."""
    demo_copy(tmp_path)
    attic = tmp_path / "inputs/files/attic"
    finished = bytearray(b"\xff" * 0x8000)
    values = tomllib.loads((tmp_path / "inputs/titles/moth-pantry.toml").read_text())
    dumps = {hashlib.sha256(p.read_bytes()).hexdigest(): p.read_bytes() for p in attic.rglob("*") if p.is_file()}
    for path in (tmp_path / "inputs").rglob("*.zip"):
        with zipfile.ZipFile(path) as archive:
            dumps |= {hashlib.sha256(d).hexdigest(): d for d in map(archive.read, archive.namelist())}
    for step in values["rom"][0]["steps"]:
        data = dumps[values["chips"][step["chip"]]["sha256"]]
        finished[step["at"] : step["at"] + len(data)] = data
    (tmp_path / "moth.rom").write_bytes(finished)
    ran = within(tmp_path, Solve, "title:moth-pantry", "rom.1", "moth.rom")
    assert (ran.code, ran.err) == (0, "")
    rom = tomllib.loads(ran.out)["rom"][0]
    assert (rom["fill"], rom["steps"]) == (0xFF, values["rom"][0]["steps"])


def test_a_chip_that_is_not_there_is_told(folder: Path) -> None:
    title(folder, MANIFEST)
    ran = within(folder, Solve, "title:fern-rally", "rom.1", "done.rom", "dumps/a.bin", "dumps/c.bin")
    assert (ran.code, ran.err) == (
        1,
        "inputs/titles/fern-rally.toml:8:1: chips.4u: the chip is not in the files given\n",
    )


REFUSED = [
    (["done.rom"], 2, "expected FINISHED CHIP [CHIP ...] or title:ID rom.N FINISHED [CHIP ...]\n"
     "  hint: see doit help solve\n"),
    (["done.rom", "nowhere"], 3, "nowhere: there is no such file\n  hint: correct the path\n"),
    (["empty.rom", "dumps"], 3, "empty.rom: has 0 bytes; expected 1 to 16,777,216 (16 MiB)\n"),
    (["huge.rom", "dumps"], 3, "huge.rom: has 16,777,217 bytes; expected 1 to 16,777,216 (16 MiB)\n"),
    (["done.rom", "done.rom"], 1,
     "found no chips; expected at least one file that is not the finished one\n"),
    (["--write", "done.rom", "dumps"], 2,
     "found --write, but no title\n  hint: name it: doit solve --write title:ID rom.1 FINISHED\n"),
]  # fmt: skip


@pytest.mark.parametrize(("words", "code", "told"), REFUSED, ids=lambda value: str(value)[:30])
def test_what_is_refused(folder: Path, words: list[str], code: int, told: str) -> None:
    (folder / "empty.rom").touch()
    (folder / "huge.rom").touch()
    os.truncate(folder / "huge.rom", LARGEST + 1)
    ran = within(folder, Solve, *words)
    assert (ran.code, ran.out, ran.err) == (code, "", told)


def test_too_many_bytes_of_chips_are_refused_unread(folder: Path) -> None:
    (folder / "dumps/zz.bin").touch()
    os.truncate(folder / "dumps/zz.bin", 65 << 20)
    ran = within(folder, Solve, "done.rom", "dumps")
    what = "is one too many; expected 4,096 chips of 64 MiB together at most"
    assert (ran.code, ran.err) == (3, f"dumps/zz.bin: {what}\n")
