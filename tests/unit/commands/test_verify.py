"""``doit verify`` as a person runs it."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import pytest

from pipeline.commands.verify import Verify
from pipeline.workspace.lock import locked
from tests.strangers.tools import require
from tests.support import small
from tests.support.building import build_card_in
from tests.support.cli import doit, own_command, within
from tests.support.small import small_project
from tests.unit.commands.test_publish import WITH_RIGHTS

CARD = "build/cards/desk"


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = small_project(tmp_path_factory.mktemp("verify"))
    assert doit(folder).code == 0
    return folder


def cluster_offset(folder: Path, path: str) -> int:
    """Return where a file begins in the image, by the plan's numbers."""
    plan = json.loads((folder / CARD / "plan.json").read_bytes())
    volume = plan["volume"]
    data = volume["start"] + volume["reserved"] + 2 * volume["fat-sectors"] + volume["root-entries"] // 16
    (entry,) = (entry for entry in plan["entries"] if entry["path"] == path)
    return int((data + (entry["cluster"] - 2) * volume["sectors-per-cluster"]) * 512)


def mounted(folder: Path, name: str) -> Path:
    target = folder / name
    shutil.rmtree(target, ignore_errors=True)
    for path in ("BENCH.SET", "FABRICS/FERN/SIGN.TXT"):
        (target / path).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(folder / "build/configs/desk" / path, target / path)
    (target / "GOODS/FERN").mkdir(parents=True)
    shutil.copyfile(folder / "build/roms/snail-race/SNAIL.ROM", target / "GOODS/FERN/SNAIL.ROM")
    shutil.copyfile(folder / "inputs/files/attic/core.bin", target / "FABRICS/FERN/FERN.FAB")
    return target


def test_the_image_as_built_is_good(built: Path) -> None:
    for arguments in ([], ["desk"], [f"{CARD}/record.json"]):
        ran = within(built, Verify, f"{CARD}/card.img", *arguments)
        assert (ran.code, ran.out, ran.err) == (0, "desk: good\n", "")


def test_a_damaged_rom_file_is_told_by_title_and_chip(built: Path) -> None:
    data = bytearray((built / CARD / "card.img").read_bytes())
    at = cluster_offset(built, "GOODS/FERN/SNAIL.ROM") + 0x412
    data[at] ^= 4
    (built / "bad.img").write_bytes(data)
    ran = within(built, Verify, "bad.img", "desk")
    assert (ran.code, ran.out) == (
        1,
        "damaged  GOODS/FERN/SNAIL.ROM: 1 byte differs, at offset 0x0412; title snail-race, chip b1\n"
        "desk: damaged: GOODS/FERN/SNAIL.ROM\n"
        "this is a file: copy or build it again; if errors come back, suspect the disk it is on\n",
    )
    assert within(built, Verify, "--all", "bad.img", "desk").out.startswith(
        "damaged  GOODS/FERN/SNAIL.ROM: 1 byte differs, at offset 0x0412; title snail-race, chip b1 "
        f"(byte 0x{at:08X} of the image)\n"
    )
    document = json.loads(within(built, Verify, "--json", "bad.img", "desk").out)
    assert (document["verdict"], document["damages"][0]["chips"]) == ("damaged", ["chip b1"])


def test_a_card_is_known_by_its_serial(built: Path) -> None:
    shutil.copyfile(built / CARD / "card.img", built / "copy.img")
    ran = within(built, Verify, "copy.img")
    assert (ran.code, ran.out, ran.err) == (0, "desk: good\n", "")


def test_a_folder_is_checked_file_by_file(built: Path) -> None:
    mounted(built, "sd")
    ran = within(built, Verify, "sd", "desk")
    unseen = "not checked: positions of files, both FATs and directories; name the disk or an image to check them\n"
    assert (ran.code, ran.out) == (0, f"{unseen}desk: good\n")


def test_litter_fails_a_folder_only_when_it_is_to_be_strict(built: Path) -> None:
    folder = mounted(built, "littered")
    (folder / ".DS_Store").write_bytes(b"x")
    (folder / "MINE.SAV").write_bytes(b"x")
    ran = within(built, Verify, "littered", "desk")
    assert ran.code == 0
    assert ran.out.splitlines()[:2] == ["litter   .DS_Store", "others   MINE.SAV"]
    assert ran.out.splitlines()[-1] == "desk: good but touched"
    assert within(built, Verify, "--strict", "littered", "desk").code == 1


def test_missing_and_changed_files_of_a_folder_are_named(built: Path) -> None:
    folder = mounted(built, "broken")
    (folder / "BENCH.SET").unlink()
    rom = folder / "GOODS/FERN/SNAIL.ROM"
    rom.write_bytes(b"\1" + rom.read_bytes()[1:])
    ran = within(built, Verify, "broken", "desk")
    assert ran.code == 1
    assert ran.out.splitlines()[:2] == [
        "damaged  BENCH.SET: is missing",
        "damaged  GOODS/FERN/SNAIL.ROM: its bytes differ; title snail-race, chip a1, chip b1",
    ]
    assert ran.out.splitlines()[-3:] == [
        "desk: damaged: BENCH.SET, GOODS/FERN/SNAIL.ROM",
        "write it again: doit write desk DEVICE (everything on the card is lost)",
        "if errors come back in the same places, replace the card; in other places, try another card reader",
    ]


def test_another_folder_is_not_this_card(built: Path) -> None:
    ran = within(built, Verify, "inputs", "desk")
    assert (ran.code, ran.out.splitlines()[-1]) == (1, "desk: not this card")


def test_arguments_and_what_cannot_be_read_end_differently(built: Path) -> None:
    assert within(built, Verify).code == 2
    (built / "lonely.img").write_bytes(bytes(1024))
    ran = within(built, Verify, "lonely.img")
    assert (ran.code, ran.err) == (
        3,
        "lonely.img: no record lies beside it, and the first sector holds only zeros; "
        "expected a partition table or a FAT boot sector\n"
        "  hint: if a built card was written to it, name the card: doit verify PATH CARD\n",
    )
    assert within(built, Verify, "lonely.img", "table").code == 2
    ran = within(built, Verify, "nothing", "desk")
    assert (ran.code, ran.err) == (
        3,
        "nothing: there is no such card\n  hint: name an image, a disk or a mounted folder\n",
    )


def test_a_record_is_used_only_with_its_own_plan(built: Path) -> None:
    (built / "elsewhere").mkdir()
    shutil.copyfile(built / CARD / "record.json", built / "elsewhere/record.json")
    ran = within(built, Verify, f"{CARD}/card.img", "elsewhere/record.json")
    assert (ran.code, ran.err) == (
        3,
        "elsewhere/record.json: plan.json is missing beside it\n"
        "  hint: name the record in the folder where it was built or published\n",
    )
    plan = (built / CARD / "plan.json").read_text().replace('"label":"DESK"', '"label":"DUSK"')
    (built / "elsewhere/plan.json").write_text(plan)
    ran = within(built, Verify, f"{CARD}/card.img", "elsewhere/record.json")
    assert (ran.code, ran.err) == (
        3,
        "elsewhere/record.json: the plan.json beside it is not the one it was made with\n"
        "  hint: build the card again, or name the record in the folder where it was published\n",
    )


def test_a_record_cut_short_is_refused(built: Path) -> None:
    (built / "short.json").write_text('{"cardkiln-record":1}')
    for arguments in (("diff", "short.json", "desk"), ("verify", f"{CARD}/card.img", "short.json")):
        ran = own_command(built, *arguments)
        assert (ran.code, ran.err) == (3, "short.json: is not a complete record\n  hint: build the card again\n")


# which build it is, and whose what is


@pytest.fixture(scope="module")
def versions(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A project whose card was published in version 1, built in version 2, and is now version 3; with each image."""
    folder = tmp_path_factory.mktemp("versions")
    small_project(folder, {**WITH_RIGHTS, "inputs/cards/desk.toml": KEEP + small.CARD})
    assert doit(folder, "sheet:desk").code == 0
    assert own_command(folder, "publish", "desk").code == 0
    for version in ("1", "2", "3"):
        board = str(WITH_RIGHTS["inputs/boards/oak.toml"]).replace('regional = "1"', f'regional = "{version}"')
        (folder / "inputs/boards/oak.toml").write_text(board)
        card = (KEEP + small.CARD).replace('version = "1"', f'version = "{version}"')
        (folder / "inputs/cards/desk.toml").write_text(card)
        build_card_in(folder)
        shutil.copyfile(folder / CARD / "card.img", folder / f"{version}.img")
    return folder


KEEP = 'keep = ["SLATE/**"]\n'


@pytest.mark.parametrize(("version", "shown"), [("1", "published in version 1"), ("2", "built earlier, version 2")])
@pytest.mark.parametrize("words", [[], ["desk"]])
def test_an_older_build_is_good_and_what_changed_since_is_told(
    versions: Path, version: str, shown: str, words: list[str]
) -> None:
    ran = within(versions, Verify, f"{version}.img", *words)
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.startswith(
        f"desk as {shown}: good\ndesk as built now, version 3, differs:\n"
        f"  card\n    changed  card version: {version} -> 3\n"
    )
    assert "changed  BENCH.SET" in ran.out
    assert within(versions, Verify, "--strict", f"{version}.img", *words).code == 1


def test_which_build_it_is_is_told_as_json(versions: Path) -> None:
    document = json.loads(within(versions, Verify, "--json", "2.img").out)
    assert (document["verdict"], document["build"]) == ("good", {"origin": "earlier", "version": "2"})
    document = json.loads(within(versions, Verify, "--json", "3.img").out)
    assert (document["build"], document["changes"]) == ({"origin": "built", "version": "3"}, [])


def test_an_older_card_that_is_mounted_is_known_by_its_files(versions: Path) -> None:
    target = mounted(versions, "older")
    config = target / "BENCH.SET"
    config.write_bytes(config.read_bytes().replace(b"form = 3", b"form = 2"))
    ran = within(versions, Verify, "older", "desk")
    assert ran.code == 0
    assert ran.out.splitlines()[1] == "desk as built earlier, version 2: good"
    config.write_bytes(b"something else")
    ran = within(versions, Verify, "older", "desk")
    assert ran.code == 1
    assert ran.out.splitlines()[2:4] == [
        "of none of the 3 builds known of this card; compared with desk as built now, version 3",
        "desk: damaged: BENCH.SET",
    ]


def test_a_damaged_card_of_no_known_build_is_compared_with_the_newest(versions: Path) -> None:
    data = bytearray((versions / "1.img").read_bytes())
    data[cluster_offset(versions, "GOODS/FERN/SNAIL.ROM")] ^= 1
    (versions / "bad.img").write_bytes(data)
    ran = within(versions, Verify, "bad.img")
    assert ran.code == 1
    assert ran.out.splitlines()[-3:] == [
        "of none of the 3 builds known of this card; compared with desk as built now, version 3",
        "desk: damaged: BENCH.SET, GOODS/FERN/SNAIL.ROM",
        "this is a file: copy or build it again; if errors come back, suspect the disk it is on",
    ]


def test_a_card_written_halfway_says_so(versions: Path) -> None:
    for version in ("1", "3"):
        image = (versions / f"{version}.img").read_bytes()
        (versions / "half.img").write_bytes(bytes(4096) + image[4096:])
        for words in (["half.img"], ["half.img", "desk"]):
            ran = within(versions, Verify, *words)
            assert (ran.code, ran.err) == (1, "")
            assert ran.out.endswith(
                ": half written: its first block is empty; a write was interrupted\n"
                "the card is not valid until a write completes: doit write desk DEVICE\n"
            )


def test_files_of_the_user_are_counted_and_never_damaged(versions: Path) -> None:
    target = mounted(versions, "played")
    (target / "SLATE").mkdir()
    (target / "SLATE/ONE.DAT").write_bytes(b"level 3")
    ran = within(versions, Verify, "played", "desk")
    assert ran.code == 0
    assert ran.out == (
        "yours    SLATE/ONE.DAT: new\n"
        "not checked: positions of files, both FATs and directories; name the disk or an image to check them\n"
        "desk: good but touched; yours: 1 new\n"
    )
    assert within(versions, Verify, "--strict", "played", "desk").code == 1


def test_files_of_the_user_on_an_image_and_places_of_the_file_system(versions: Path) -> None:
    """mtools stands for the board that saves; tables and folders change with it, and are counted."""
    shutil.copyfile(versions / "3.img", versions / "saved.img")
    record = json.loads((versions / CARD / "record.json").read_bytes())
    where = f"{versions / 'saved.img'}@@{record['volume']['first-sector'] * 512}"
    (versions / "save").write_bytes(b"level 3")
    subprocess.run([require("mmd"), "-i", where, "::/SLATE"], check=True)
    subprocess.run([require("mcopy"), "-i", where, str(versions / "save"), "::/SLATE/ONE.DAT"], check=True)
    ran = within(versions, Verify, "saved.img", "desk")
    lines = ran.out.splitlines()
    assert (ran.code, lines[0], lines[-1]) == (
        0, "yours    SLATE/ONE.DAT: new", "desk: good but touched; yours: 1 new",
    )  # fmt: skip
    assert lines[1].endswith("places: times, marks and tables that a system changes by itself; --all lists them")
    assert len(lines) == 3
    every = within(versions, Verify, "--all", "saved.img", "desk").out
    assert "touched  FAT 1: entry of cluster " in every


def test_a_card_is_verified_though_the_manifests_are_wrong(versions: Path) -> None:
    manifest = versions / "inputs/cards/desk.toml"
    text = manifest.read_text()
    manifest.write_text("name = ")
    try:
        assert within(versions, Verify, "3.img").out == "desk: good\n"
    finally:
        manifest.write_text(text)


def test_an_image_below_the_build_folder_is_not_opened_while_a_build_is_at_work(
    versions: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pipeline.inspect.opened_build.WAIT", 0.05)
    with locked(versions / "build"):
        ran = within(versions, Verify, f"{CARD}/card.img")
        assert within(versions, Verify, "3.img").code == 0
    assert (ran.code, ran.out) == (3, "")
    assert ran.err == "another run is working in build/\n  hint: wait until it has ended\n"
