"""``doit verify`` as a person runs it."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from tests.support.cli import doit, own_command
from tests.support.small import small_project

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
        ran = own_command(built, "verify", f"{CARD}/card.img", *arguments)
        assert (ran.code, ran.out, ran.err) == (0, "desk: good\n", "")


def test_a_damaged_rom_file_is_told_by_title_and_chip(built: Path) -> None:
    data = bytearray((built / CARD / "card.img").read_bytes())
    at = cluster_offset(built, "GOODS/FERN/SNAIL.ROM") + 0x412
    data[at] ^= 4
    (built / "bad.img").write_bytes(data)
    ran = own_command(built, "verify", "bad.img", "desk")
    assert (ran.code, ran.out.splitlines()) == (
        1,
        [
            "damaged  GOODS/FERN/SNAIL.ROM: 1 byte differs, at offset 0x0412; title snail-race, chip b1 "
            f"(byte 0x{at:08X} of the image)",
            "desk: damaged: GOODS/FERN/SNAIL.ROM",
        ],
    )
    document = json.loads(own_command(built, "verify", "--json", "bad.img", "desk").out)
    assert (document["verdict"], document["damages"][0]["chips"]) == ("damaged", ["chip b1"])


def test_a_card_is_known_by_its_serial(built: Path) -> None:
    shutil.copyfile(built / CARD / "card.img", built / "copy.img")
    ran = own_command(built, "verify", "copy.img")
    assert (ran.code, ran.out, ran.err) == (0, "desk: good\n", "")


def test_a_folder_is_checked_file_by_file(built: Path) -> None:
    mounted(built, "sd")
    ran = own_command(built, "verify", "sd", "desk")
    unseen = "not checked: where files lie, both FATs and directories: give the disk or an image to check them\n"
    assert (ran.code, ran.out) == (0, f"{unseen}desk: good\n")


def test_litter_fails_a_folder_only_when_it_is_to_be_strict(built: Path) -> None:
    folder = mounted(built, "littered")
    (folder / ".DS_Store").write_bytes(b"x")
    (folder / "MINE.SAV").write_bytes(b"x")
    ran = own_command(built, "verify", "littered", "desk")
    assert ran.code == 0
    assert ran.out.splitlines()[:2] == ["litter   .DS_Store", "others   MINE.SAV"]
    assert ran.out.splitlines()[-1] == "desk: good but touched"
    assert own_command(built, "verify", "--strict", "littered", "desk").code == 1


def test_missing_and_changed_files_of_a_folder_are_named(built: Path) -> None:
    folder = mounted(built, "broken")
    (folder / "BENCH.SET").unlink()
    rom = folder / "GOODS/FERN/SNAIL.ROM"
    rom.write_bytes(b"\1" + rom.read_bytes()[1:])
    ran = own_command(built, "verify", "broken", "desk")
    assert ran.code == 1
    assert ran.out.splitlines()[:2] == [
        "damaged  BENCH.SET: is missing",
        "damaged  GOODS/FERN/SNAIL.ROM: its bytes differ; title snail-race, chip a1, chip b1",
    ]
    assert ran.out.splitlines()[-1] == "desk: damaged: BENCH.SET, GOODS/FERN/SNAIL.ROM"


def test_another_folder_is_not_this_card(built: Path) -> None:
    ran = own_command(built, "verify", "inputs", "desk")
    assert (ran.code, ran.out.splitlines()[-1]) == (1, "desk: not this card")


def test_arguments_and_what_cannot_be_read_end_differently(built: Path) -> None:
    assert own_command(built, "verify").code == 2
    (built / "lonely.img").write_bytes(bytes(1024))
    ran = own_command(built, "verify", "lonely.img")
    assert (ran.code, ran.err) == (
        3,
        "lonely.img: no record lies beside it, and the first sector holds only zeros; "
        "expected a partition table or a FAT boot sector\n"
        "  hint: if a built card was written to it, name the card: doit verify PATH CARD\n",
    )
    assert own_command(built, "verify", "lonely.img", "table").code == 2
    ran = own_command(built, "verify", "nothing", "desk")
    assert (ran.code, ran.err) == (
        3,
        "nothing: there is no such card\n  hint: name an image, a disk or a mounted folder\n",
    )


def test_a_record_is_used_only_with_its_own_plan(built: Path) -> None:
    (built / "elsewhere").mkdir()
    shutil.copyfile(built / CARD / "record.json", built / "elsewhere/record.json")
    ran = own_command(built, "verify", f"{CARD}/card.img", "elsewhere/record.json")
    assert (ran.code, ran.err) == (
        3,
        "elsewhere/record.json: there is no plan.json beside it, which says where every byte lies\n"
        "  hint: give the record where it was built or published\n",
    )
    plan = (built / CARD / "plan.json").read_text().replace('"label":"DESK"', '"label":"DUSK"')
    (built / "elsewhere/plan.json").write_text(plan)
    ran = own_command(built, "verify", f"{CARD}/card.img", "elsewhere/record.json")
    assert (ran.code, ran.err) == (
        3,
        "elsewhere/record.json: the plan.json beside it is not the one it was made with\n"
        "  hint: build the card again, or give the record where it was published\n",
    )


def test_a_record_cut_short_is_refused(built: Path) -> None:
    (built / "short.json").write_text('{"cardkiln-record":1}')
    for arguments in (("diff", "short.json", "desk"), ("verify", f"{CARD}/card.img", "short.json")):
        ran = own_command(built, *arguments)
        assert (ran.code, ran.err) == (3, "short.json: is not a complete record\n  hint: build the card again\n")
