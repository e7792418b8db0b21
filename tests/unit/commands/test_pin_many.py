"""``doit pin`` without files: what titles and cores lack comes from the places, and images are pinned as built."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import tomllib
import zlib
from pathlib import Path

import pytest

from pipeline.commands.pin import Pin
from pipeline.model.content import Location
from pipeline.sources.files.digest import Digest, Take, digest
from pipeline.sources.search import matcher
from tests.strangers.tools import require
from tests.support import small
from tests.support.cli import Ran, demo_copy, digests, doit, sha256, within, write_tree
from tests.unit.sources.zips import pack

MOTH = "inputs/titles/moth.toml"
HEAD = 'name = "Moth"\ncore = "glimmer"\n'
A, B = small.CHIP_A, small.CHIP_B


def blank_chip(name: str, size: str = '"1 KiB"') -> str:
    return f'\n[chips.{name}]\nsize = {size}\nsha256 = "<blank>"  # from its socket\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_tree(
        tmp_path,
        {
            "inputs/sources.toml": 'places = ["../dumps", "../more"]\n',
            MOTH: HEAD + blank_chip("4t") + blank_chip("4u", '"<blank>"'),
            "dumps/4T.BIN": A,
            "dumps/other/4t.bin": A[:512],
            "more/readme.txt": b"dumped in the hall",
        },
    )
    pack(tmp_path / "more/moth.zip", {"roms/4u.rom": B})
    return tmp_path


def pin(folder: Path, *arguments: str) -> Ran:
    return within(folder, Pin, *arguments)


def text_of(folder: Path, file: str = MOTH) -> str:
    return (folder / file).read_bytes().decode()


def test_blanks_are_filled_from_the_files_of_that_name_and_size(folder: Path) -> None:
    ran = pin(folder, "title:moth")
    assert ran == Ran(
        0,
        f"pinned  chips.4t: 1 KiB, sha256 {small.sha(A)[:8]}... from dumps/4T.BIN, by name and size; "
        f"1 value written in {MOTH}\n"
        f"pinned  chips.4u: 1 KiB, sha256 {small.sha(B)[:8]}... from more/moth.zip/roms/4u.rom, by name; "
        f"2 values written in {MOTH}\n"
        "2 of 2 files pinned\n",
        "",
    )
    filled = HEAD + blank_chip("4t").replace("<blank>", small.sha(A))
    assert text_of(folder) == filled + blank_chip("4u", '"1 KiB"').replace("<blank>", small.sha(B))
    assert pin(folder, MOTH) == Ran(0, f"no size and no hash is missing in {MOTH}\n", "")


def test_missing_keys_count_as_blanks_and_a_known_hash_gives_the_size(folder: Path) -> None:
    write_tree(folder, {MOTH: f'{HEAD}[chips.4t]\n[chips.x]\nsha256 = "{small.sha(B)}"\n'})
    shutil.rmtree(folder / "dumps/other")
    assert pin(folder, "title:moth", "--crc32").out.splitlines()[1] == (
        f"pinned  chips.x: 1 KiB, sha256 {small.sha(B)[:8]}... from more/moth.zip/roms/4u.rom, by SHA-256; "
        f"2 values written in {MOTH}"
    )
    chips = tomllib.loads(text_of(folder))["chips"]
    assert chips == {
        "4t": {"size": "1 KiB", "sha256": small.sha(A), "crc32": f"{zlib.crc32(A):08x}"},
        "x": {"size": "1 KiB", "sha256": small.sha(B), "crc32": f"{zlib.crc32(B):08x}"},
    }


def test_where_different_contents_fit_none_is_taken_and_each_has_its_command(folder: Path) -> None:
    write_tree(folder, {"more/the fair/4t.dmp": B, "more/copy/4t.bin": A})
    ran = pin(folder, "title:moth")
    assert ran == Ran(
        1,
        f"pinned  chips.4u: 1 KiB, sha256 {small.sha(B)[:8]}... from more/moth.zip/roms/4u.rom, by name; "
        f"2 values written in {MOTH}\n"
        f"left    {MOTH}: chips.4t: 2 different contents fit by name and size\n"
        f"    doit pin title:moth chips.4t dumps/4T.BIN  # {small.sha(A)}\n"
        f"    doit pin title:moth chips.4t 'more/the fair/4t.dmp'  # {small.sha(B)}\n"
        "1 of 2 files pinned\n",
        "",
    )
    assert pin(folder, "title:moth", "chips.4t", "more/the fair/4t.dmp").code == 0
    assert text_of(folder).count(small.sha(B)) == 2


def test_the_same_content_in_two_places_is_no_conflict(folder: Path) -> None:
    write_tree(folder, {"more/copy/4t.bin": A, "more/copy/again/4T": A})
    assert pin(folder, "title:moth").out.startswith(
        f"pinned  chips.4t: 1 KiB, sha256 {small.sha(A)[:8]}... from dumps/4T.BIN and 2 more places, by name and size; "
    )


def test_a_crc_32_decides_whatever_the_file_is_called(folder: Path) -> None:
    """The CRC-32 is that of zlib, an implementation of its own (ITU-T V.42, 8.1.1.6.2)."""
    text = HEAD + blank_chip("u9").replace("\nsha256", f'\ncrc32 = "{zlib.crc32(B):08X}"\nsha256')
    write_tree(folder, {MOTH: text})
    ran = pin(folder, "title:moth")
    assert ran.out.splitlines()[0] == (
        f"pinned  chips.u9: 1 KiB, sha256 {small.sha(B)[:8]}... from more/moth.zip/roms/4u.rom, by size and CRC-32; "
        f"1 value written in {MOTH}"
    )
    assert text_of(folder) == text.replace("<blank>", small.sha(B))


@pytest.mark.parametrize(
    ("table", "why"),
    [
        ('size = "2 KiB"', 'no file is named "4t" and has 2 KiB'),
        ('crc32 = "0badcafe"', 'no file is named "4t" and has the CRC-32 0badcafe'),
        ('size = "1 KiB"\ncrc32 = "0badcafe"', "no file has 1 KiB and has the CRC-32 0badcafe"),
        (f'sha256 = "{"0" * 64}"', f"no file has the SHA-256 {'0' * 64}"),
    ],
)
def test_what_nothing_fits_is_left_as_it_was(folder: Path, table: str, why: str) -> None:
    write_tree(folder, {MOTH: f"{HEAD}[chips.4t]\n{table}\n"})
    before = text_of(folder)
    assert pin(folder, "title:moth") == Ran(1, f"left    {MOTH}: chips.4t: {why}\n0 of 1 file pinned\n", "")
    assert text_of(folder) == before


def test_an_empty_file_is_no_chip(folder: Path) -> None:
    write_tree(folder, {MOTH: f"{HEAD}[chips.4v]\n", "dumps/4v.bin": b""})
    assert pin(folder, "title:moth").out.startswith(f'left    {MOTH}: chips.4v: no file is named "4v"\n')


def test_what_only_a_person_knows_is_named_and_a_wrong_value_is_left_to_the_check(folder: Path) -> None:
    text = (
        'name = "<blank>"\ncore = "<blank>"\n[chips.4t]\nsize = "1 KiB"\nsha256 = "short"\n[[rom]]\npath = "<blank>"\n'
    )
    write_tree(folder, {MOTH: text})
    ran = pin(folder, "title:moth")
    assert ran.code == 0
    assert ran.out.splitlines() == [
        f"blank   {MOTH}: name, core and rom.1.path",
        f"no size and no hash is missing in {MOTH}",
    ]
    assert text_of(folder) == text


def test_one_folder_or_archive_is_searched_in_place_of_all(folder: Path) -> None:
    write_tree(folder, {"more/other/4u.rom": A, "elsewhere/4t.bin": B})
    assert pin(folder, "title:moth").code == 1
    (folder / MOTH).write_text(HEAD + blank_chip("4t") + blank_chip("4u"))
    ran = pin(folder, "title:moth", "--from", "more/moth.zip")
    assert ran.out.splitlines()[:2] == [
        f"pinned  chips.4u: 1 KiB, sha256 {small.sha(B)[:8]}... from more/moth.zip/roms/4u.rom, by name and size; "
        f"1 value written in {MOTH}",
        f'left    {MOTH}: chips.4t: no file is named "4t" and has 1 KiB',
    ]
    assert pin(folder, "title:moth", "--from", "elsewhere").code == 0
    assert text_of(folder).count(small.sha(B)) == 2
    assert pin(folder, "title:moth", "--from", "nowhere") == Ran(
        2, "", "nowhere: there is no such folder or archive\n  hint: correct the path\n"
    )


def test_a_file_that_may_be_it_and_cannot_be_read_is_told_and_nothing_is_taken(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_tree(folder, {"more/4t.bin": A})

    def refusing(location: Location, take: Take | None) -> Digest:
        if location.path.endswith("more/4t.bin"):
            raise PermissionError(13, "Permission denied", location.path)
        return digest(location, take)

    monkeypatch.setattr(matcher, "digest", refusing)
    assert (
        f"left    {MOTH}: chips.4t: more/4t.bin may be it: it cannot be read: Permission denied\n"
        in pin(folder, "title:moth").out
    )
    assert small.sha(A) not in text_of(folder)


def test_a_damaged_archive_is_told_as_a_warning_and_the_rest_is_searched(folder: Path) -> None:
    (folder / "more/broken.zip").write_bytes(b"PK\x03\x04" + bytes(40))
    ran = pin(folder, "title:moth")
    assert ran.code == 0
    assert ran.err == (
        "warning: more/broken.zip: is cut off: the directory at its end is missing\n"
        "  hint: get an undamaged copy, or unpack it into a folder and pack it anew\n"
    )


def test_all_titles_are_filled_in_one_search_or_none(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    second = "inputs/titles/newt.toml"
    write_tree(folder, {second: HEAD + blank_chip("4t")})
    before = [text_of(folder), text_of(folder, second)]
    real, written = Path.write_bytes, list[Path]()

    def full(path: Path, data: bytes) -> int:
        written.append(path)
        if len(written) == 2:
            raise OSError(28, "No space left on device", str(path))
        return real(path, data)

    monkeypatch.setattr(Path, "write_bytes", full)
    ran = pin(folder, "titles")
    assert (ran.code, ran.err) == (3, "inputs/titles/newt.toml.part: No space left on device\n")
    assert [text_of(folder), text_of(folder, second)] == before
    assert [path.name for path in sorted((folder / "inputs/titles").iterdir())] == ["moth.toml", "newt.toml"]
    monkeypatch.undo()
    ran = pin(folder, "titles")
    assert (ran.code, ran.out.splitlines()[-1]) == (0, "3 of 3 files pinned")
    assert "<blank>" not in text_of(folder) + text_of(folder, second)


def test_one_title_that_is_no_toml_stops_all(folder: Path) -> None:
    write_tree(folder, {"inputs/titles/newt.toml": "name = \n"})
    before = text_of(folder)
    assert pin(folder, "titles").code == 2
    assert text_of(folder) == before


def test_a_core_takes_its_bitstream_by_its_own_name(folder: Path) -> None:
    core = "inputs/cores/fern.toml"
    text = small.CORE.replace(small.sha(small.BITSTREAM), "<blank>").replace(str(len(small.BITSTREAM)), '"<blank>"')
    write_tree(folder, {core: text, "dumps/rel/FERN.BIT": small.BITSTREAM})
    ran = pin(folder, "core:fern")
    assert ran.out == (
        f"pinned  bitstream: 720 bytes, sha256 {small.sha(small.BITSTREAM)[:8]}... from dumps/rel/FERN.BIT, by name; "
        f"2 values written in {core}\n1 of 1 file pinned\n"
    )
    assert tomllib.loads(text_of(folder, core)) == tomllib.loads(small.CORE)


def test_hashes_taken_out_of_the_demos_titles_come_back_as_they_were(tmp_path: Path) -> None:
    """Chips are taken out of every title; what comes back by name and size is what was there."""
    demo_copy(tmp_path)
    before = {path.name: path.read_text("utf-8") for path in (tmp_path / "inputs/titles").iterdir()}
    pattern = re.compile(r'^(\[chips\.[^\n]*\]\n(?:[^\n\[]*\n)*?)sha256 = "[0-9a-f]{64}"\n', re.MULTILINE)
    bare = {name: pattern.sub(r"\1", text) for name, text in before.items()}
    assert sum(bare[name] != text for name, text in before.items()) >= 10
    for name, text in bare.items():
        (tmp_path / "inputs/titles" / name).write_text(text, "utf-8", newline="")
    pin(tmp_path, "titles")
    for name, text in before.items():
        now = tomllib.loads((tmp_path / "inputs/titles" / name).read_text("utf-8")).get("chips", {})
        for chip, table in tomllib.loads(text).get("chips", {}).items():
            assert now[chip] in (table, {key: value for key, value in table.items() if key != "sha256"}), (name, chip)


def test_json_says_where_each_came_from_and_what_was_left(folder: Path) -> None:
    write_tree(folder, {"more/4t.bin": B})
    ran = pin(folder, "title:moth", "--json")
    assert ran.code == 1
    assert json.loads(ran.out) == {
        "cardkiln-pin": 1,
        "manifests": [
            {
                "manifest": MOTH,
                "pinned": [
                    {
                        "key": "chips.4u",
                        "files": ["more/moth.zip/roms/4u.rom"],
                        "by": "name",
                        "size": 1024,
                        "sha256": small.sha(B),
                        "crc32": f"{zlib.crc32(B):08x}",
                        "written": ["size", "sha256"],
                    }
                ],
                "left": [
                    {
                        "key": "chips.4t",
                        "why": "2 different contents fit by name and size",
                        "choices": [
                            {
                                "files": [file],
                                "size": 1024,
                                "sha256": small.sha(data),
                                "crc32": f"{zlib.crc32(data):08x}",
                                "command": f"doit pin title:moth chips.4t {file}",
                            }
                            for file, data in (("dumps/4T.BIN", A), ("more/4t.bin", B))
                        ],
                    }
                ],
                "blanks": [],
            }
        ],
        "images": [],
        "warnings": [],
    }


def test_the_images_of_all_cards_that_are_built_are_pinned(tmp_path: Path) -> None:
    """The digests are those of ``sha256sum``."""
    cards = {
        "inputs/cards/attic.toml": small.CARD.replace("Desk", "Attic"),
        "inputs/cards/broken.toml": small.CARD.replace("16 MiB", "<blank>"),
    }
    small.small_project(tmp_path, {"inputs/cards/shed.toml": small.CARD.replace("Desk", "Shed")})
    assert doit(tmp_path).code == 0
    write_tree(tmp_path, {**cards, "inputs/cards/shed.toml": small.CARD.replace("DESK", "SHED")})
    before = digests(tmp_path / "inputs/cards")
    ran = pin(tmp_path, "cards")
    image = tmp_path / "build/cards/desk/card.img"
    done = subprocess.run([require("sha256sum"), str(image)], capture_output=True, text=True, check=True)
    digest = done.stdout[:64]
    assert ran == Ran(
        1,
        "blank   inputs/cards/broken.toml: volume.size\n"
        "left    inputs/cards/attic.toml: build/cards/attic/card.img: is not built yet; doit sheet:attic\n"
        "left    inputs/cards/broken.toml: build/cards/broken/card.img: its manifest, or one that it names, has "
        "problems; doit check lists them\n"
        f"pinned  image: 16 MiB, sha256 {digest[:8]}...; written in inputs/cards/desk.toml\n"
        "left    inputs/cards/shed.toml: build/cards/shed/card.img: is out of date: plan: the card's contents or "
        "layout changed; doit sheet:shed\n",
        "",
    )
    after = digests(tmp_path / "inputs/cards")
    assert {name for name in after if after[name] != before[name]} == {"desk.toml"}
    pinned = small.CARD.replace("[volume]", f'image-sha256 = "{digest}"\n[volume]', 1)
    assert text_of(tmp_path, "inputs/cards/desk.toml") == pinned
    assert pin(tmp_path, "card:desk").out == (
        f"image: 16 MiB, sha256 {digest[:8]}...; as declared in inputs/cards/desk.toml\n"
    )
    write_tree(tmp_path, {"inputs/cards/desk.toml": pinned.replace(digest, "0" * 64)})
    refused = pin(tmp_path, "card:desk")
    path, zeros = "build/cards/desk/card.img", "0" * 64
    hint = "with --replace the file's values are written"
    told = f'left    inputs/cards/desk.toml: {path}: found "{zeros}"; {path} has "{digest}"; {hint}\n'
    assert (refused.code, refused.out) == (1, told)
    assert pin(tmp_path, "cards", "--replace").code == 1
    assert text_of(tmp_path, "inputs/cards/desk.toml") == pinned
    assert sha256(image) == digest


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (["title:mot"], 2, 'inputs/titles/mot.toml: there is no such manifest\n  hint: did you mean "title:moth"?\n'),
        (["cores"], 2, "there is no manifest in inputs/cores\n"),
        (
            ["board:oak"],
            2,
            "inputs/boards/oak.toml: nothing in a board has a size and a hash of its own; expected a title, a core or "
            "a card\n",
        ),
        (
            ["titles", "--replace"],
            2,
            "found --replace without a KEY and a FILE, expected both\n"
            "  hint: what is declared already is only replaced by a file that is named\n",
        ),
        (
            ["title:moth", "chips.4t", "dumps/4T.BIN", "--from", "more"],
            2,
            "found --from with a KEY and a FILE, expected none\n  hint: name the file itself\n",
        ),
    ],
)
def test_what_cannot_be_is_refused(folder: Path, arguments: list[str], code: int, message: str) -> None:
    write_tree(folder, {"inputs/boards/oak.toml": small.BOARD})
    assert pin(folder, *arguments) == Ran(code, "", message)


def test_without_a_place_to_search_that_is_said(folder: Path) -> None:
    (folder / "inputs/sources.toml").unlink()
    assert pin(folder, "title:moth") == Ran(
        2, "", "sources.toml names no place to search\n  hint: add a place to it, or name one with --from\n"
    )
    write_tree(folder, {"inputs/sources.toml": 'places = ["gone"]\n'})
    assert pin(folder, "title:moth") == Ran(
        2,
        "",
        'inputs/sources.toml:1:11: places.1: found no "gone", expected a folder or a ZIP archive\n'
        "  hint: correct the path, or take the line out; connect the drive if it lies on one\n",
    )


LAYOUT = """
[layouts.two-rows.sockets]
u1 = { size = "1 KiB" }
u2 = { size = "1 KiB" }
[[layouts.two-rows.rom]]
path = "{title}.ROM"
size = "2 KiB"
[[layouts.two-rows.rom.steps]]
at = 0
join = ["u1", "u2"]
"""


def test_a_chip_in_a_socket_takes_its_size_from_the_layout_also_in_a_variant_of_a_variant(tmp_path: Path) -> None:
    small.small_project(tmp_path, {"inputs/cores/fern.toml": small.CORE + LAYOUT})
    titles = {
        "inputs/titles/moth.toml": 'name = "Moth"\ncore = "fern"\nlayout = "two-rows"\n'
        'sockets.u1 = { sha256 = "<blank>" }\nsockets.u2 = { sha256 = "<blank>" }\n',
        "inputs/titles/newt.toml": 'name = "Newt"\nlike = "moth"\n',
        "inputs/titles/owl.toml": 'name = "Owl"\nlike = "newt"\nsockets.u1 = { sha256 = "<blank>" }\n',
    }
    write_tree(tmp_path, {**titles, "inputs/files/attic/u1.bin": A, "inputs/files/attic/u2.bin": B})
    write_tree(tmp_path, {"inputs/files/attic/x/u1.rom": A[:512]})  # of another size than the socket
    assert pin(tmp_path, "titles").code == 0
    assert text_of(tmp_path, "inputs/titles/moth.toml") == titles["inputs/titles/moth.toml"].replace(
        "<blank>", small.sha(A), 1
    ).replace("<blank>", small.sha(B))
    assert text_of(tmp_path, "inputs/titles/owl.toml").endswith(f'sockets.u1 = {{ sha256 = "{small.sha(A)}" }}\n')
    ran = pin(tmp_path, "--replace", "title:owl", "sockets.u1", "inputs/files/attic/x/u1.rom")
    assert ran.out.endswith("; 2 values written in inputs/titles/owl.toml\n")  # the size too, since it is another
