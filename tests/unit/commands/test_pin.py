"""``doit pin`` as a person runs it, in a folder with inputs and no dodo.py."""

from __future__ import annotations

import json
import os
import random
import re
import stat
import subprocess
import zipfile
from pathlib import Path

import pytest

from pipeline.commands.pin import Pin
from pipeline.model.content import Content, Location
from pipeline.sources.files.argument import content_named
from tests.strangers.tools import require
from tests.support import small
from tests.support.cli import Ran, demo_copy, digests, doit, own_command, sha256, write_tree

MOTH = "inputs/titles/moth.toml"
USAGE = "MANIFEST [KEY FILE ...] or titles or cores or cards"
EMPTY = '#:schema ../../schemas/title.schema.json\nname = "Moth"\ncore = "glimmer"\n\n[[rom]]\npath = "MOTH.ROM"\n'
ZEROS = "0" * 64
DUMP = random.Random(6).randbytes(4096)
WITHOUT_HASHES = re.compile(r'^sha256 = ".*"\n(crc32 = ".*"\n)?', re.MULTILINE)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_tree(tmp_path, {MOTH: EMPTY, "dumps/4t.bin": DUMP, "dumps/4u.bin": DUMP[:192], "dumps/none.bin": b""})
    return tmp_path


def pin(folder: Path, *arguments: str, **environment: str) -> Ran:
    return own_command(folder, "pin", *arguments, **environment)


def text_of(folder: Path, file: str = MOTH) -> str:
    return (folder / file).read_bytes().decode()


def stranger_sha256(path: Path) -> str:
    done = subprocess.run(
        [require("sha256sum"), path.name], cwd=path.parent, capture_output=True, text=True, check=True
    )
    return done.stdout[:64]


def stranger_crc32(path: Path) -> str:
    """Return the CRC-32 that ``unzip -v`` shows for the file in an archive made by ``zip``."""
    archive = path.with_name("stranger.zip")
    subprocess.run([require("zip"), "-q", archive.name, path.name], cwd=path.parent, check=True)
    listed = subprocess.run([require("unzip"), "-v", str(archive)], capture_output=True, text=True, check=True)
    line = next(line for line in listed.stdout.splitlines() if line.endswith(path.name))
    return line.split()[6]


def test_chips_are_pinned_as_public_tools_see_them(folder: Path) -> None:
    ran = pin(folder, MOTH, "chips.4t", "dumps/4t.bin", "--crc32", "chips.4u", "dumps/4u.bin")
    hashes = [stranger_sha256(folder / "dumps" / name) for name in ("4t.bin", "4u.bin")]
    sums = [stranger_crc32(folder / "dumps" / name) for name in ("4t.bin", "4u.bin")]
    assert ran == Ran(
        0,
        f"pinned chips.4t: 4 KiB, sha256 {hashes[0][:8]}...; added to {MOTH}\n"
        f"pinned chips.4u: 192 bytes, sha256 {hashes[1][:8]}...; added to {MOTH}\n",
        "",
    )
    head, tail = EMPTY.split("[[rom]]")
    assert text_of(folder) == (
        f'{head}[chips.4t]\nsize = "4 KiB"\nsha256 = "{hashes[0]}"\ncrc32 = "{sums[0]}"\n\n'
        f'[chips.4u]\nsize = 192\nsha256 = "{hashes[1]}"\ncrc32 = "{sums[1]}"\n\n[[rom]]{tail}'
    )


def test_hashes_taken_out_of_the_demo_come_back_as_they_were(tmp_path: Path) -> None:
    """The chips of one of its titles are pinned anew from the sources: the same bytes as before."""
    demo_copy(tmp_path)
    for archive in (tmp_path / "inputs/files").rglob("*.zip"):
        with zipfile.ZipFile(archive) as opened:
            opened.extractall(tmp_path / "inputs/files/unpacked" / archive.stem)
    found = {digest: f"inputs/files/{name}" for name, digest in digests(tmp_path / "inputs/files").items()}
    title = tmp_path / "inputs/titles/turnip-tithe.toml"
    before = text_of(tmp_path, "inputs/titles/turnip-tithe.toml")
    chips = re.findall(r'^\[chips\.(.*)\]\nsize = .*\nsha256 = "(.*)"$', before, re.MULTILINE)
    assert len(chips) == 6
    start, rom, rest = before.partition("[[rom]]")
    title.write_text(WITHOUT_HASHES.sub("", start) + rom + rest, encoding="utf-8", newline="")
    words = [word for name, digest in chips for word in (f"chips.{name}", found[digest])]
    assert pin(tmp_path, "title:turnip-tithe", *words, "--crc32").code == 0
    assert text_of(tmp_path, "inputs/titles/turnip-tithe.toml") == before


def test_another_hash_is_refused_with_both_and_replaced_only_when_told_so(folder: Path) -> None:
    text = EMPTY.replace("[[rom]]", f'[chips.4t]\nsize = "4 KiB"\nsha256 = "{ZEROS}" # old dump\n\n[[rom]]')
    (folder / MOTH).write_text(text, encoding="utf-8", newline="")
    refused = pin(folder, "title:moth", "chips.4t", "dumps/4t.bin", "chips.new", "dumps/4u.bin")
    digest = sha256(folder / "dumps/4t.bin")
    assert (refused.code, refused.out) == (1, "")
    assert refused.err.splitlines() == [
        f'{MOTH}:7:10: chips.4t.sha256: found "{ZEROS}"; dumps/4t.bin has "{digest}"',
        "  hint: with --replace the file's values are written",
    ]
    assert text_of(folder) == text
    assert pin(folder, "--replace", "title:moth", "chips.4t", "dumps/4t.bin") == Ran(
        0, f"pinned chips.4t: 4 KiB, sha256 {digest[:8]}...; 1 value written in {MOTH}\n", ""
    )
    assert text_of(folder) == text.replace(ZEROS, digest)


def test_what_is_pinned_already_is_not_written_again(folder: Path) -> None:
    pin(folder, "title:moth", "chips.4t", "dumps/4t.bin")
    before = (folder / MOTH).stat()
    digest = sha256(folder / "dumps/4t.bin")
    assert pin(folder, "title:moth", "chips.4t", "dumps/4t.bin") == Ran(
        0, f"chips.4t: 4 KiB, sha256 {digest[:8]}...; as declared in {MOTH}\n", ""
    )
    after = (folder / MOTH).stat()
    assert (after.st_mtime_ns, after.st_ino) == (before.st_mtime_ns, before.st_ino)


def test_a_member_of_an_archive_is_pinned(folder: Path) -> None:
    with zipfile.ZipFile(folder / "box.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("moth/4t.bin", DUMP)
    assert pin(folder, MOTH, "chips.4t", "box.zip/moth/4t.bin").code == 0
    assert f'sha256 = "{stranger_sha256(folder / "dumps/4t.bin")}"' in text_of(folder)


def test_json_says_what_was_written(folder: Path) -> None:
    ran = pin(folder, MOTH, "chips.4t", "dumps/4t.bin", "--json")
    assert json.loads(ran.out) == {
        "manifest": MOTH,
        "pinned": [
            {
                "key": "chips.4t",
                "file": "dumps/4t.bin",
                "size": 4096,
                "sha256": stranger_sha256(folder / "dumps/4t.bin"),
                "crc32": stranger_crc32(folder / "dumps/4t.bin"),
                "written": ["size", "sha256"],
                "added": True,
            }
        ],
    }
    refused = pin(folder, "--json", MOTH, "chips.4t", "dumps/4u.bin")
    assert (refused.code, refused.err) == (1, "")
    assert [problem["place"]["key"] for problem in json.loads(refused.out)["problems"]] == [
        "chips.4t.size",
        "chips.4t.sha256",
    ]


def test_inputs_may_lie_elsewhere_and_files_are_named_from_the_working_folder(folder: Path) -> None:
    (folder / "inputs").rename(folder / "mine")
    ran = pin(folder / "dumps", "title:moth", "chips.4t", "4t.bin", CARDKILN_INPUTS="../mine")
    assert ran.code == 0, ran.err
    assert "[chips.4t]" in text_of(folder, "mine/titles/moth.toml")


def test_a_mark_at_the_start_line_endings_permissions_and_a_link_stay(folder: Path) -> None:
    data = b"\xef\xbb\xbf" + EMPTY.replace("\n", "\r\n").encode()
    real = folder / "real.toml"
    real.write_bytes(data)
    real.chmod(0o640)
    (folder / MOTH).unlink()
    try:
        (folder / MOTH).symlink_to(real)
    except OSError:
        pytest.skip("links need a privilege here")
    assert pin(folder, MOTH, "chips.4t", "dumps/4t.bin").code == 0
    start, end = data.split(b"[[rom]]")
    digest = sha256(folder / "dumps/4t.bin").encode()
    added = b'[chips.4t]\r\nsize = "4 KiB"\r\nsha256 = "' + digest + b'"\r\n\r\n'
    assert real.read_bytes() == start + added + b"[[rom]]" + end
    assert (folder / MOTH).is_symlink()
    assert stat.S_IMODE(real.stat().st_mode) == 0o640 or os.name != "posix"
    assert sorted(path.name for path in folder.rglob("*.toml*")) == ["moth.toml", "real.toml"]


def test_a_rom_file_is_pinned_as_it_was_built(tmp_path: Path) -> None:
    demo_copy(tmp_path)
    file = "inputs/titles/drizzle-league.toml"
    before = text_of(tmp_path, file)
    start, rom, rest = before.partition("[[rom]]")
    without = start + rom + WITHOUT_HASHES.sub("", rest)
    (tmp_path / file).write_text(without, encoding="utf-8", newline="")
    unbuilt = pin(tmp_path, "title:drizzle-league", "rom.1", "built")
    path = "build/roms/drizzle-league/DRIZZLE.MRW"
    assert unbuilt == Ran(1, "", f"{path}: is not built yet\n  hint: doit rom:drizzle-league\n")
    assert doit(tmp_path, "rom:drizzle-league").code == 0
    ran = pin(tmp_path, file, "rom.DRIZZLE.MRW", "built")
    digest = stranger_sha256(tmp_path / path)
    assert ran == Ran(0, f"pinned rom.1: 8 KiB, sha256 {digest[:8]}...; 1 value written in {file}\n", "")
    assert text_of(tmp_path, file) == before
    (tmp_path / path).write_bytes(bytes(8192))
    stale = pin(tmp_path, "title:drizzle-league", "rom.1", "built")
    assert (stale.code, stale.err.splitlines()[-1]) == (1, "  hint: doit rom:drizzle-league")
    assert f"{path}: is out of date: " in stale.err


def test_an_image_is_pinned_as_it_was_built(tmp_path: Path) -> None:
    small.small_project(tmp_path)
    image = tmp_path / "build/cards/desk/card.img"
    file = "inputs/cards/desk.toml"
    unbuilt = pin(tmp_path, "card:desk", "image", "built")
    assert unbuilt == Ran(1, "", "build/cards/desk/card.img: is not built yet\n  hint: doit sheet:desk\n")
    assert doit(tmp_path).code == 0
    digest = stranger_sha256(image)
    ran = pin(tmp_path, "card:desk", "image", "built")
    told = f"image: 16 MiB, sha256 {digest[:8]}..."
    assert ran == Ran(0, f"pinned {told}; 1 value written in {file}\n", "")
    assert text_of(tmp_path, file) == small.CARD.replace("[volume]", f'image-sha256 = "{digest}"\n[volume]', 1)
    assert pin(tmp_path, "card:desk", "image", "built") == Ran(0, f"{told}; as declared in {file}\n", "")
    assert doit(tmp_path).code == 0


def test_an_image_is_pinned_over_a_digest_it_does_not_have_but_not_when_the_card_changed(tmp_path: Path) -> None:
    small.small_project(tmp_path)
    assert doit(tmp_path).code == 0
    digest, file = stranger_sha256(tmp_path / "build/cards/desk/card.img"), "inputs/cards/desk.toml"
    pinned = small.CARD.replace("[volume]", f'image-sha256 = "{ZEROS}"\n[volume]', 1)
    write_tree(tmp_path, {file: pinned})
    refused = pin(tmp_path, "card:desk", "image", "built")
    assert refused.code == 1
    line = pinned[: pinned.index("image-")].count("\n") + 1
    found, hint = refused.err.splitlines()
    assert found == f'{file}:{line}:16: image-sha256: found "{ZEROS}"; build/cards/desk/card.img has "{digest}"'
    assert hint == "  hint: with --replace the file's values are written"
    assert pin(tmp_path, "card:desk", "image", "built", "--replace").code == 0
    assert text_of(tmp_path, file) == pinned.replace(ZEROS, digest)
    write_tree(tmp_path, {file: pinned.replace("DESK", "DESKS")})
    stale = pin(tmp_path, "card:desk", "image", "built")
    assert (stale.code, stale.out) == (1, "")
    assert stale.err == (
        "build/cards/desk/card.img: is out of date: plan: the card's contents or layout changed\n"
        "  hint: doit sheet:desk\n"
    )


def test_a_chip_is_replaced_and_its_rom_file_and_image_follow(tmp_path: Path) -> None:
    new = small.CHIP_B[:16] + bytes(8) + small.CHIP_B[24:]
    image = small.CARD.replace("[volume]", f'image-sha256 = "{ZEROS}"\n[volume]', 1)
    small.small_project(tmp_path)
    assert doit(tmp_path).code == 0
    write_tree(tmp_path, {"inputs/files/attic/new.bin": new, "inputs/cards/desk.toml": image})
    assert pin(tmp_path, "--replace", "title:snail-race", "chips.b1", "inputs/files/attic/new.bin").code == 0
    command = "doit pin title:snail-race rom.1 built --replace"
    assert doit(tmp_path).err.endswith(f"; if the new file is meant, {command}\n")
    rom = pin(tmp_path, *command.split()[2:])
    digest = small.sha(small.CHIP_A + new)
    assert rom == Ran(
        0,
        "8 bytes differ from the one built before\n"
        "  0x0400 to 0x07FF: chip b1: 8 bytes\n"
        f"pinned rom.1: 2 KiB, sha256 {digest[:8]}...; 1 value written in inputs/titles/snail-race.toml\n",
        "",
    )
    command = "doit pin card:desk image built --replace"
    assert doit(tmp_path).err.endswith(f"if it is intended, {command}\n")
    card = pin(tmp_path, *command.split()[2:])
    assert (card.code, card.err) == (0, "")
    assert card.out.startswith("what changed since the last record:\n")
    assert "SNAIL.ROM" in card.out
    assert stranger_sha256(tmp_path / "build/cards/desk/card.img") in text_of(tmp_path, "inputs/cards/desk.toml")
    assert doit(tmp_path).code == 0


def test_what_is_built_belongs_to_the_inputs(folder: Path) -> None:
    write_tree(folder, {"other/titles/moth.toml": EMPTY})
    ran = pin(folder, "other/titles/moth.toml", "rom.1", "built")
    assert ran == Ran(2, "", "other/titles/moth.toml: is not inputs/titles/moth.toml, of which ROM files are built\n")


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        ([], 2, "expected MANIFEST [KEY FILE ...] or titles or cores or cards\n  hint: see doit help pin\n"),
        (
            [MOTH, "rom.1"],
            2,
            "expected MANIFEST [KEY FILE ...] or titles or cores or cards\n  hint: see doit help pin\n",
        ),
        (
            [MOTH, "chip.4t", "dumps/4t.bin", "rom.2", "dumps/4t.bin", "rom.1"],
            2,
            'found no file after "rom.1"\n'
            '  hint: write its path there, or the word "built" for the one in build\n'
            f"{MOTH}:1:1: chip.4t: is no chip, patch, ROM file or file of this manifest\n"
            '  hint: there are "rom.1" and "rom.MOTH.ROM"\n'
            f"{MOTH}:5:1: rom.2: is no chip, patch, ROM file or file of this manifest\n"
            "  hint: they count from rom.1 to rom.1\n",
        ),
        (
            [MOTH, "rom.1", "dumps/4t.bin", "rom.MOTH.ROM", "dumps/4t.bin"],
            2,
            f"{MOTH}:5:1: rom.1: is named twice; expected one file for it\n",
        ),
        (
            [MOTH, "rom.1", "dumps/4t.bin", "--replcae"],
            2,
            "option --replcae not recognized\n  hint: doit help pin shows the options\n",
        ),
        (
            ["title:mot", "rom.1", "dumps/4t.bin"],
            2,
            'inputs/titles/mot.toml: there is no such manifest\n  hint: did you mean "title:moth"?\n',
        ),
        (
            ["inputs/moth.toml", "rom.1", "dumps/4t.bin"],
            2,
            "inputs/moth.toml: there is no such manifest\n"
            "  hint: correct the path, or name it by its id as in title:moth\n",
        ),
        (
            ["dumps/4t.bin", "rom.1", "dumps/4t.bin"],
            2,
            "dumps/4t.bin: found a file in dumps/, expected a manifest in boards, cards, cores, stations, titles\n",
        ),
        (
            [MOTH, "chips.4t", "dumps/gone.bin", "chips.4u", "dumps", "rom.1", "dumps/none.bin"],
            3,
            "dumps: is a folder or a device; expected a file\n"
            "dumps/gone.bin: there is no such file\n  hint: correct the path\n"
            "dumps/none.bin: has 0 bytes; expected at least one\n",
        ),
        ([MOTH, "chips.4t", "built"], 3, "built: there is no such file\n  hint: correct the path\n"),
    ],
)
def test_what_cannot_be_is_refused(folder: Path, arguments: list[str], code: int, message: str) -> None:
    assert pin(folder, *arguments) == Ran(code, "", message)
    assert text_of(folder) == EMPTY


def test_an_archive_is_no_chip_but_may_be_a_file(folder: Path) -> None:
    with zipfile.ZipFile(folder / "box.zip", "w") as archive:
        archive.writestr("4t.bin", DUMP)
    (folder / MOTH).write_text(EMPTY + '[[files]]\npath = "BOX.ZIP"\n', encoding="utf-8", newline="")
    assert pin(folder, MOTH, "chips.4t", "box.zip") == Ran(
        3,
        "",
        'box.zip: is an archive; expected the file itself\n  hint: name a member of it, such as "box.zip/4t.bin"\n',
    )
    assert pin(folder, MOTH, "files.BOX.ZIP", "box.zip").code == 0
    assert sha256(folder / "box.zip") in text_of(folder)


def test_a_manifest_that_is_no_toml_is_refused_with_its_problem(folder: Path) -> None:
    (folder / MOTH).write_text('name = "Moth\n', encoding="utf-8", newline="")
    assert pin(folder, MOTH, "chips.4t", "dumps/4t.bin") == Ran(
        2,
        "",
        f"{MOTH}:1:13: found broken TOML: illegal character '\\n'\n"
        "  hint: close the quotes on the line they begin on\n",
    )


def test_a_manifest_with_other_problems_is_pinned(folder: Path) -> None:
    (folder / MOTH).write_text("nmae = 5\n[chips.4t]\n", encoding="utf-8", newline="")
    assert pin(folder, MOTH, "chips.4t", "dumps/4t.bin").code == 0


def test_files_behind_two_dashes_may_begin_with_one(folder: Path) -> None:
    (folder / "-4t.bin").write_bytes(DUMP)
    assert pin(folder, "--crc32", "--", MOTH, "chips.4t", "-4t.bin").code == 0
    assert "crc32 = " in text_of(folder)


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="permissions bind only plain users of POSIX")
def test_a_manifest_that_may_not_be_written_is_left_alone(folder: Path) -> None:
    (folder / MOTH).chmod(0o444)
    ran = pin(folder, MOTH, "chips.4t", "dumps/4t.bin")
    assert (ran.code, ran.err) == (3, f"{MOTH}: Permission denied\n")
    assert text_of(folder) == EMPTY


def test_a_full_disk_leaves_the_manifest_and_no_rest(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_path: Path, _data: bytes) -> int:
        raise OSError(28, "No space left on device", "moth.toml.part")

    monkeypatch.chdir(folder)
    monkeypatch.setattr(Path, "write_bytes", full)
    assert Pin().parse_execute([MOTH, "chips.4t", "dumps/4t.bin"]) == 3
    assert text_of(folder) == EMPTY
    assert [path.name for path in (folder / "inputs/titles").iterdir()] == ["moth.toml"]


def test_a_manifest_changed_meanwhile_is_not_overwritten(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def slow(location: Location) -> Content:
        (folder / MOTH).write_text("# edited\n", encoding="utf-8")
        return content_named(location)

    monkeypatch.chdir(folder)
    monkeypatch.setattr("pipeline.sources.files.argument.content_named", slow)
    assert Pin().parse_execute([MOTH, "chips.4t", "dumps/4t.bin"]) == 1
    assert text_of(folder) == "# edited\n"


def test_help_shows_the_usage(folder: Path) -> None:
    for ran in (own_command(folder, "help", "pin"), pin(folder, "--help")):
        assert ran.code == 0
        assert "doit pin MANIFEST [KEY FILE ...]\n    doit pin titles\n" in ran.out
        assert "box-3.zip/moth/4t.bin" in ran.out
