"""``doit adopt``: a card made by hand with mkfs.fat and mtools, taken over, built, and compared with itself."""

from __future__ import annotations

import hashlib
import io
import json
import os
import re
import shutil
import subprocess
import tomllib
import zipfile
from pathlib import Path

import pytest

from pipeline.build.inputs import Inputs
from pipeline.commands.adopt import Adopt
from pipeline.errors import ManifestError
from pipeline.inspect import adopt_writer
from pipeline.inspect.adopt import adopt
from pipeline.inspect.open_target import opened_target
from pipeline.manifest.load import load
from tests.strangers import with_dissect, with_mtools
from tests.strangers.tools import require
from tests.support.building import build_card_in, build_in, workspace_in
from tests.support.cli import ROOT, digests, doit, own_command, within
from tests.support.fault_injection import Layer, install
from tests.support.small import BOARD, ONE_MENU, sha, small_project
from tests.support.small import CARD as DESK
from tests.unit.image.cards import build, plan_of, volume_of
from tests.unit.volume.by_hand import CHANGES, FILES, made

CARD = """\
# Drafted from a card made by hand. No rights are stated for its own files, so it cannot be published yet.
name = "GARAGE"
version = "1"
board = "oak"
cores = ["fern", "moss"]
titles = ["snail-race"]

[volume]
size = 16809472
type = "fat16"
label = "GARAGE"
serial = "1234-ABCD"
timestamp = MOMENT

[[files]]
path = "NOTES.TXT"
from = "files/adopted-garage/card/NOTES.TXT"

[[files]]
path = "GOODS"
from = "files/adopted-garage/card/GOODS"

[[files]]
path = "PICTURES"
from = "files/adopted-garage/card/PICTURES"
"""

CORE = f"""\
# Drafted from a card made by hand. "<blank>" stands for what only a person can know; "doit check" lists every blank.
# Say what the core needs, and under which rights it may be passed on: it cannot be published without.
name = "Moss garden"
kind = "<blank>"
release = "<blank>"
folder = "MOSS"
boards = ["oak"]

[bitstream]
size = 780
sha256 = "{hashlib.sha256(FILES["FABRICS/MOSS/MOSS.FAB"]).hexdigest()}"
"""

SAID = """\
adopted garage: 1 core known and 1 drafted, 1 title, 3 files copied
written inputs/cores/moss.toml
written inputs/cards/garage.toml
written inputs/sources.toml
written inputs/files/adopted-garage/card/NOTES.TXT
written inputs/files/adopted-garage/card/GOODS/FERN/dump of chip a.bin
written inputs/files/adopted-garage/card/PICTURES/a long name.raw
written inputs/files/adopted-garage/contents/moss-fab-746cc574
note    ._DISCS.LIB is left out: a desktop system put it there
note    BENCH.SET: language becomes regional, which core fern needs
blank   inputs/cores/moss.toml: kind, release
next    fill in the blanks (doit check lists what is expected), then doit record:garage, then doit diff card.img garage
"""


@pytest.fixture(scope="module")
def by_hand(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("by-hand")
    for tool in ("mkfs.fat", "mcopy"):
        require(tool)
    made(folder / "card.img", folder)
    return folder / "card.img"


@pytest.fixture
def folder(by_hand: Path, tmp_path: Path) -> Path:
    small_project(tmp_path, dict(CHANGES))
    shutil.copyfile(by_hand, tmp_path / "card.img")
    return tmp_path


def text(path: Path) -> str:
    return path.read_text(encoding="utf-8")


def filled_in(folder: Path, core: str = "moss") -> None:
    """Fill in the blanks of a drafted core as a person does."""
    path = folder / "inputs" / "cores" / f"{core}.toml"
    path.write_text(text(path).replace('kind = "<blank>"', 'kind = "arcade"').replace("<blank>", "1"), "utf-8")


def test_a_card_made_by_hand_becomes_manifests(folder: Path) -> None:
    before = digests(folder / "inputs")
    ran = own_command(folder, "adopt", "card.img", "oak")

    assert (ran.code, ran.out, ran.err) == (0, SAID, "")
    card = text(folder / "inputs/cards/garage.toml")
    assert re.sub(r"timestamp = \d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\n", "timestamp = MOMENT\n", card) == CARD
    assert text(folder / "inputs/cores/moss.toml") == CORE
    with pytest.raises(ManifestError) as caught:
        load(folder / "inputs", folder)
    assert [(problem.place.file, problem.place.key) for problem in caught.value.problems] == [
        ("inputs/cores/moss.toml", "kind"),
        ("inputs/cores/moss.toml", "release"),
    ]
    assert text(folder / "inputs/sources.toml") == 'places = ["files/adopted-garage/contents", "files/attic"]\n'
    after = digests(folder / "inputs")
    assert {path for path in before if after[path] != before[path]} == {"sources.toml"}
    assert sorted(path for path in after if path.startswith("files/adopted-garage")) == [
        "files/adopted-garage/card/GOODS/FERN/dump of chip a.bin",
        "files/adopted-garage/card/NOTES.TXT",
        "files/adopted-garage/card/PICTURES/a long name.raw",
        "files/adopted-garage/contents/moss-fab-746cc574",
    ]
    assert not (folder / "build/cards").exists()


def test_building_it_gives_the_same_contents_and_only_what_the_rules_put_right(folder: Path, tmp_path: Path) -> None:
    assert own_command(folder, "adopt", "card.img", "oak").code == 0
    filled_in(folder)
    built = doit(folder, "record:garage")
    assert (built.code, built.err) == (0, "")

    image = folder / "build/cards/garage/card.img"
    start = json.loads(text(folder / "build/cards/garage/record.json"))["volume"]["first-sector"]
    old = {item.path: item.sha256 for item in with_dissect.read(folder / "card.img", 63 * 512)}
    new = {item.path: item.sha256 for item in with_mtools.read(image, start * 512, tmp_path)}
    assert {path for path in old if path not in new} == {"._DISCS.LIB"}
    assert {path for path in new if path not in old} == set()
    assert {path for path in new if new[path] != old[path]} == {"BENCH.SET"}

    compared = json.loads(own_command(folder, "diff", "--json", "card.img", "garage").out)
    assert own_command(folder, "look", str(image)).code == 0
    assert not compared["equal"]
    changes = compared["changes"]
    assert [
        (change["kind"], change["name"], change["because"]) for change in changes if change["group"] == "files"
    ] == [
        ("removed", "._DISCS.LIB", []),
        ("changed", "BENCH.SET", ["[words] form: 0 -> 1"]),
    ]
    assert {change["group"] for change in changes} <= {"files", "placement", "entries"}


def test_nothing_is_written_over(folder: Path) -> None:
    assert own_command(folder, "adopt", "card.img", "oak").code == 0
    filled_in(folder)
    before = digests(folder)
    ran = own_command(folder, "adopt", "card.img", "oak")

    assert (ran.code, ran.out) == (2, "")
    assert ran.err == (
        "inputs/files/adopted-garage: exists already; nothing was written\n"
        "  hint: choose another id with --as, or move it away\n"
    )
    inputs = {path: digest for path, digest in digests(folder).items() if path.startswith("inputs/")}
    assert inputs == {path: digest for path, digest in before.items() if path.startswith("inputs/")}


def test_another_id_is_another_card(folder: Path) -> None:
    assert own_command(folder, "adopt", "card.img", "oak").code == 0
    filled_in(folder)
    ran = own_command(folder, "adopt", "--json", "card.img", "oak", "--as", "spare")

    assert ran.code == 0
    document = json.loads(ran.out)
    assert document["written"] == [
        "inputs/cards/spare.toml",
        *(f"inputs/files/adopted-spare/card/{name}" for name in (
            "NOTES.TXT", "GOODS/FERN/dump of chip a.bin", "PICTURES/a long name.raw",
        )),
    ]  # fmt: skip
    assert document["cores"] == ["fern", "moss"]
    assert document["drafted-cores"] == []
    assert document["blanks"] == {}


def test_all_is_taken_back_when_a_draft_does_not_pass(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = digests(folder / "inputs")
    monkeypatch.setattr(adopt_writer, "_card_text", lambda path, adoption: "no = 'card'\n")
    project = build_in(folder)

    with opened_target(project.workspace, str(folder / "card.img")) as card:
        adoption = adopt(project, card, project.inputs.manifest.boards["oak"], "garage")
        manifests = adopt_writer.drafted_manifests(project.workspace, adoption)
        with pytest.raises(ManifestError):
            adopt_writer.write(project.workspace, card, adoption, manifests)
    assert digests(folder / "inputs") == before


def test_contents_that_no_source_has_are_taken_from_the_card(folder: Path) -> None:
    (folder / "inputs/files/attic/core.bin").unlink()
    (folder / "inputs/files/attic/dump(2).bin").unlink()
    (folder / "inputs/cards/desk.toml").unlink()  # it wants what is not there any more
    ran = own_command(folder, "adopt", "card.img", "oak")

    assert ran.out.startswith("adopted garage: 1 core known and 1 drafted, 0 titles, 4 files copied\n")
    assert (
        "note    title snail-race is not adopted, and its files are copied: its chips are in no source, or "
        "files of it are missing on the card\n"
    ) in ran.out
    filled_in(folder)
    built = doit(folder, "record:garage")
    assert (built.code, built.err) == (0, "")
    record = json.loads(text(folder / "build/cards/garage/record.json"))
    sums = {file["path"]: file["sha256"] for file in record["files"]}
    expected = {path: hashlib.sha256(data).hexdigest() for path, data in FILES.items()}
    assert {path for path in expected if sums.get(path) != expected[path]} == {"._DISCS.LIB", "BENCH.SET"}


def test_a_damaged_card_is_not_adopted(folder: Path) -> None:
    data = bytearray((folder / "card.img").read_bytes())
    at = data.index(b"DISCS   LIB")
    data[at + 28 : at + 32] = (40_000).to_bytes(4, "little")
    (folder / "card.img").write_bytes(data)
    ran = own_command(folder, "adopt", "card.img", "oak")

    assert (ran.code, ran.out) == (1, "")
    assert ran.err == (
        f"{folder / 'card.img'}: DISCS.LIB: size: 40,000 bytes take 20 clusters, its chain has 4\n"
        "  hint: take a sound copy; doit look shows what is wrong\n"
    ).replace(f"{folder}/", "")
    assert not (folder / "inputs/cards/garage.toml").exists()


def test_a_changed_config_file_of_the_board_is_told(folder: Path) -> None:
    data = (folder / "card.img").read_bytes().replace(b"; settings", b"; mine own", 1)
    (folder / "card.img").write_bytes(data)
    ran = own_command(folder, "adopt", "card.img", "oak")

    assert (
        "note    BENCH.SET: a build writes the bytes that the manifests give; those of the card are not copied\n"
        in ran.out
    )


def test_an_archive_stays_an_archive_and_names_lead_nowhere_else(folder: Path, tmp_path: Path) -> None:
    """A ZIP archive in the root is copied whole; a long name ".." is no way out of the inputs."""
    archive = io.BytesIO()
    with zipfile.ZipFile(archive, "w") as file:
        file.writestr("inner.txt", "inner")
    (tmp_path / "BOX.ZIP").write_bytes(archive.getvalue())
    (tmp_path / "zz.a long name").write_bytes(b"out")
    settings = with_mtools.settings(tmp_path)
    words = [require("mcopy"), "-i", f"{folder / 'card.img'}@@{63 * 512}"]
    subprocess.run(
        [*words, str(tmp_path / "BOX.ZIP"), str(tmp_path / "zz.a long name"), "::/"], check=True, env=settings
    )
    data = (folder / "card.img").read_bytes()
    name = "zz.a long nam".encode("utf-16-le")
    at = data.index(name[:10]) - 1
    new = bytearray(data)
    new[at + 1 : at + 11] = "..".encode("utf-16-le") + bytes(2) + b"\xff" * 4
    new[at + 14 : at + 26] = b"\xff" * 12
    new[at + 28 : at + 32] = b"\xff" * 4
    new[at - 32] = 0xE5
    new[at] = 0x41
    (folder / "card.img").write_bytes(new)

    ran = own_command(folder, "adopt", "card.img", "oak")
    assert ran.code == 0
    assert 'note    .. is left out: its name is "..", which stands for a folder itself or its parent' in ran.out
    filled_in(folder)
    assert doit(folder, "record:garage").code == 0
    record = json.loads(text(folder / "build/cards/garage/record.json"))
    sums = {file["path"]: file["sha256"] for file in record["files"]}
    assert sums["BOX.ZIP"] == hashlib.sha256(archive.getvalue()).hexdigest()


def test_what_cannot_be_adopted_is_said(folder: Path) -> None:
    ran = own_command(folder, "adopt", "inputs", "oak")
    assert (ran.code, ran.err) == (
        3,
        "inputs: is a folder, expected an image or a disk\n  hint: take an image of the card and adopt that\n",
    )
    ran = own_command(folder, "adopt", "card.img", "oka")
    assert (ran.code, ran.err) == (2, 'found "oka", expected the id of a board\n  hint: did you mean "oak"?\n')
    ran = own_command(folder, "adopt", "card.img", "oak", "--as", "My Card")
    assert (ran.code, ran.err) == (2, '--as: found "My Card"\n  hint: an id is lower-case words with hyphens\n')
    ran = own_command(folder, "adopt", "card.img")
    assert (ran.code, ran.err) == (2, "expected PATH BOARD\n  hint: see doit help adopt\n")


def with_more(folder: Path, tmp_path: Path, files: dict[str, bytes], *folders: str) -> None:
    """Add files and folders to the root of the card with mtools."""
    settings = with_mtools.settings(tmp_path)
    image = f"{folder / 'card.img'}@@{63 * 512}"
    for name, data in files.items():
        (tmp_path / "new").write_bytes(data)
        words = [require("mcopy"), "-i", image, str(tmp_path / "new"), f"::/{name}"]
        subprocess.run(words, check=True, env=settings)
    for name in folders:
        subprocess.run([require("mmd"), "-i", image, f"::/{name}"], check=True, env=settings)


def test_names_that_no_copy_can_have_are_adopted_all_the_same(folder: Path, tmp_path: Path) -> None:
    """255 UTF-16 units are legal on FAT (Microsoft FAT32 File System Specification 1.03): up to 765 bytes of UTF-8."""
    files = {
        "{a}.txt": b"brace",
        "{core}": b"field",
        "x" * 251: b"long",
        "y" * 255: b"longest",
    }
    with_more(folder, tmp_path, files, "EMPTY", "{b}")
    ran = within(folder, Adopt, "card.img", "oak")

    assert (ran.code, ran.err) == (0, "")
    assert "cannot be built" not in ran.out
    filled_in(folder)
    build_card_in(folder, "garage")
    record = json.loads(text(folder / "build/cards/garage/record.json"))
    sums = {file["path"]: file["sha256"] for file in record["files"]}
    assert {name: sums.get(name) for name in files} == {
        name: hashlib.sha256(data).hexdigest() for name, data in files.items()
    }
    assert {"EMPTY", "{b}"} <= {folder["path"] for folder in record["folders"]}
    written = {line.removeprefix("written ") for line in ran.out.splitlines() if line.startswith("written ")}
    new = {path for path in digests(folder) if path.startswith("inputs/files/adopted-garage/")}
    assert new == {path for path in written if path.startswith("inputs/files/adopted-garage/")}


def test_a_name_of_more_bytes_than_a_file_system_takes_is_adopted(folder: Path) -> None:
    """120 characters of three bytes each in UTF-8 (RFC 3629, section 3), on a card that the planner laid out."""
    files = {"\u20ac" * 120 + "/" + "\u20ac" * 120: b"720 bytes"}
    build(plan_of(files, volume_of(16), label=""), files, folder / "euro.img")
    ran = within(folder, Adopt, "euro.img", "oak")

    assert (ran.code, ran.err) == (0, "")
    build_card_in(folder, "euro")
    record = json.loads(text(folder / "build/cards/euro/record.json"))
    sums = {file["path"]: file["sha256"] for file in record["files"]}
    assert {name: sums.get(name) for name in files} == {
        name: hashlib.sha256(data).hexdigest() for name, data in files.items()
    }


def test_what_a_build_does_not_keep_is_told(folder: Path, tmp_path: Path) -> None:
    with_more(folder, tmp_path, {}, "SYSTEM", "SYSTEM/LOGS")
    settings = with_mtools.settings(tmp_path)
    words = [require("mattrib"), "-i", f"{folder / 'card.img'}@@{63 * 512}", "+h", "+r", "::/NOTES.TXT"]
    subprocess.run(words, check=True, env=settings)
    board = BOARD.replace("[cores]", 'reserved = ["SYSTEM/**"]\n[cores]').replace('"fat16", "fat32"', '"fat12"')
    (folder / "inputs/boards/oak.toml").write_text(board, "utf-8")
    (folder / "inputs/cards/desk.toml").unlink()
    core = folder / "inputs/cores/fern.toml"
    core.write_text(text(core).replace('volumes = ["fat16"]', 'volumes = ["fat12"]'), "utf-8")
    ran = within(folder, Adopt, "card.img", "oak")

    notes = [line.removeprefix("note    ") for line in ran.out.splitlines() if line.startswith("note")]
    assert "folder SYSTEM/LOGS is left out: board oak keeps that place for its own files" in notes
    assert "the hidden attribute is not kept: NOTES.TXT" in notes
    assert "the read-only attribute is not kept: NOTES.TXT" in notes
    assert not [note for note in notes if "the system attribute" in note]


def test_a_card_that_cannot_be_built_as_it_is_is_told(folder: Path, tmp_path: Path) -> None:
    """The root of a built FAT16 volume has 512 slots, the card's 1,024 (mkfs.fat -r)."""
    volume = tmp_path / "volume.img"
    with volume.open("wb") as file:
        file.truncate(16 << 20)
    words = [require("mkfs.fat"), "-F16", "-s4", "-r1024", "-nWIDE", str(volume)]
    subprocess.run(words, check=True, capture_output=True)
    (tmp_path / "new").mkdir()
    names = [tmp_path / "new" / f"F{number}.TXT" for number in range(600)]
    for name in names:
        name.write_bytes(b"x")
    settings = with_mtools.settings(tmp_path)
    subprocess.run([require("mcopy"), "-i", str(volume), *map(str, names), "::/"], check=True, env=settings)
    ran = within(folder, Adopt, str(volume), "oak")

    assert ran.code == 0
    assert (
        "note    cannot be built as it is: the root folder takes 602 directory slots of 32 bytes; it may have 512: "
        "put files into folders"
    ) in ran.out


class Killing(Layer):
    """Ends the process at a call that changes the inputs, as a kill does: nothing is tidied up."""

    def call(self, what: str, path: str) -> bool:
        if "/inputs/" in path:
            self.calls.append((what, path))
            if len(self.calls) == self.fail_at:
                os._exit(137)
        return False


def killed(folder: Path, at: int) -> bool:
    """Adopt in a process of its own that ends at a call; return whether it came so far."""
    child = os.fork()
    if child == 0:
        with pytest.MonkeyPatch.context() as patch:
            install(Killing(fail_at=at), patch)
            os._exit(within(folder, Adopt, "card.img", "oak").code)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 137


def test_killed_at_any_moment_it_leaves_all_or_nothing_and_the_next_one_goes_on(folder: Path, tmp_path: Path) -> None:
    whole = shutil.copytree(folder, tmp_path / "whole")
    assert within(whole, Adopt, "card.img", "oak").code == 0
    expected, points = digests(whole / "inputs"), 0
    while True:
        copy = shutil.copytree(folder, tmp_path / "killed", ignore=shutil.ignore_patterns("whole"))
        if not killed(copy, points + 1):
            break
        points += 1
        left = digests(copy / "inputs")
        if "cards/garage.toml" in left:
            assert {path: left.get(path) for path in expected} == expected, f"call {points}: a card lacks something"
        unsound = Inputs.sound(workspace_in(copy)).unsound
        assert unsound.keys() <= {("core", "moss"), ("card", "garage")}, f"call {points}: what is left can be read"
        ran = within(copy, Adopt, "card.img", "oak")
        assert ran.code == (2 if "cards/garage.toml" in left else 0), f"call {points}: {ran.err}"
        assert digests(copy / "inputs") == expected, f"call {points}"
        shutil.rmtree(copy)
    assert points > 10


def test_what_is_left_over_and_cannot_be_read_is_not_touched(folder: Path) -> None:
    home = folder / "inputs/files/adopted-garage"
    home.mkdir()
    (home / "adopting.json").write_text('{"manifests": {"../../x": ""}, "old": null, "new": null}', "utf-8")
    ran = within(folder, Adopt, "card.img", "oak")

    assert (ran.code, ran.err) == (
        2,
        "inputs/files/adopted-garage/adopting.json: is left over from an adoption that was interrupted, and cannot be "
        "read\n  hint: move its folder away\n",
    )


def test_the_name_of_an_unknown_core_is_taken_from_the_one_menu(tmp_path: Path) -> None:
    other = b"another invented bitstream"
    table = f'[bitstream]\nsize = {len(other)}\nsha256 = "{sha(other)}"\n'
    moss = 'name = "Moss: a garden"\nkind = "arcade"\nrelease = "1"\nboards = ["oak"]\n' + table
    small_project(
        tmp_path,
        {
            "inputs/boards/oak.toml": ONE_MENU,
            "inputs/cores/moss.toml": moss,
            "inputs/cards/desk.toml": DESK.replace('cores = ["fern"]', 'cores = ["fern", "moss"]'),
            "inputs/files/attic/other.bin": other,
        },
    )
    build_card_in(tmp_path)
    (tmp_path / "build/cards/desk/card.img").rename(tmp_path / "card.img")
    for path in ("inputs/cores/moss.toml", "inputs/cards/desk.toml"):
        (tmp_path / path).unlink()
    ran = within(tmp_path, Adopt, "card.img", "oak")

    assert (ran.code, ran.err) == (0, "")
    assert 'name = "Moss: a garden"\n' in text(tmp_path / "inputs/cores/moss.toml")
    assert "LIST.TXT" not in ran.out
    filled_in(tmp_path)
    build_card_in(tmp_path)
    start = json.loads(text(tmp_path / "build/cards/desk/record.json"))["volume"]["first-sector"] * 512
    old, new = (
        {item.path: item.sha256 for item in with_dissect.read(tmp_path / path, start)}
        for path in ("card.img", "build/cards/desk/card.img")
    )
    assert new == old


def test_cores_whose_folders_give_no_id_or_the_same_one_get_ids_of_their_own(folder: Path) -> None:
    """COM5 is a name that Windows keeps for a device (Microsoft, "Naming Files, Paths, and Namespaces")."""
    names = ("A_B", "A-B", "a_b_", "_COM5", "Fern-2")
    files = {f"FABRICS/{name}/{name}.FAB": f"a bitstream of {name}".encode() for name in names}
    build(plan_of(files, volume_of(16), label=""), files, folder / "five.img")
    ran = within(folder, Adopt, "five.img", "oak")

    assert (ran.code, ran.err) == (0, "")
    cores = {path.stem: tomllib.loads(text(path)) for path in (folder / "inputs/cores").glob("*.toml")}
    assert {id_: core.get("folder") for id_, core in cores.items()} == {
        "a-b": "A-B",
        "a-b-five": "A_B",
        "a-b-five-2": "a_b_",
        "com5-five": "_COM5",
        "fern": "FERN",
        "fern-2": "Fern-2",
    }
    assert cores["a-b"]["name"] == cores["a-b"]["kind"] == cores["a-b"]["release"] == "<blank>"
    assert "blank   inputs/cores/a-b.toml: name, kind, release\n" in ran.out


def test_a_menu_that_is_not_as_the_board_has_it_is_written_from_what_a_person_fills_in(folder: Path) -> None:
    board = folder / "inputs/boards/oak.toml"
    board.write_text(text(board).replace('lines = ["{name}"]', 'lines = ["{name}", "release {release}"]'), "utf-8")
    ran = within(folder, Adopt, "card.img", "oak")

    assert (ran.code, ran.err) == (0, "")
    assert "blank   inputs/cores/moss.toml: name, kind, release\n" in ran.out
    assert "note    FABRICS/MOSS/SIGN.TXT is written by a build, from values that are still blank\n" in ran.out
    filled_in(folder)
    build_card_in(folder, "garage")
    record = json.loads(text(folder / "build/cards/garage/record.json"))
    sums = {file["path"]: file["sha256"] for file in record["files"]}
    assert sums["FABRICS/MOSS/SIGN.TXT"] == sha(b"1\r\nrelease 1\r\n")


def test_schema_lines_lead_to_the_schemas_wherever_the_inputs_are(folder: Path) -> None:
    shutil.copytree(ROOT / "schemas", folder / "schemas")
    deep = folder / "deep"
    deep.mkdir()
    (folder / "inputs").rename(deep / "inputs")
    (deep / "inputs/sources.toml").unlink()
    for path in ("titles/snail-race.toml", "cards/desk.toml"):
        (deep / "inputs" / path).unlink()
    ran = within(folder, Adopt, "card.img", "oak", CARDKILN_INPUTS=str(deep / "inputs"))

    assert (ran.code, ran.err) == (0, "")
    first = {path: text(deep / "inputs" / path).splitlines()[0]
             for path in ("cores/moss.toml", "cards/garage.toml", "sources.toml")}  # fmt: skip
    assert first == {
        "cores/moss.toml": "#:schema ../../../schemas/core.schema.json",
        "cards/garage.toml": "#:schema ../../../schemas/card.schema.json",
        "sources.toml": "#:schema ../../schemas/sources.schema.json",
    }
    for path in ("cores/moss.toml", "cards/garage.toml"):
        assert f"written deep/inputs/{path}\n" in ran.out
