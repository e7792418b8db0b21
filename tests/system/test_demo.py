"""The main job from end to end: the demo's manifests become proven card images."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest

from pipeline.card.plan_text import plan_from_text
from tests.strangers.readers import assert_all_agree
from tests.strangers.tools import require
from tests.support.cli import ROOT, Ran, demo_copy, digests, doit, times

CARDS = ("arcade-evening", "console-corner", "quillon-desk")


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Ran, dict[str, str]]:
    """Build the demo once; return its folder, what was said, and the inputs' digests from before."""
    folder = demo_copy(tmp_path_factory.mktemp("demo"))
    before = digests(folder)
    return folder, doit(folder), before


def test_one_command_builds_every_card(built: tuple[Path, Ran, dict[str, str]]) -> None:
    folder, ran, _ = built
    assert (ran.code, ran.err) == (0, "")
    for card in CARDS:
        names = {path.name for path in (folder / "build/cards" / card).iterdir()}
        assert names == {"card.img", "plan.json", "record.json", "SHA256SUMS", "sheet.html"}


def test_nothing_outside_the_build_folder_is_written(built: tuple[Path, Ran, dict[str, str]]) -> None:
    folder, _, before = built
    assert {path.name for path in folder.iterdir()} == {"inputs", "build"}
    assert digests(folder / "inputs") == {name.removeprefix("inputs/"): sha256 for name, sha256 in before.items()}


def test_a_second_run_does_nothing(built: tuple[Path, Ran, dict[str, str]]) -> None:
    folder, _, _ = built
    before = times(folder / "build")
    ran = doit(folder)
    assert (ran.code, ran.err) == (0, "")
    assert re.fullmatch(
        r"check   1 board, 4 cores, 22 titles, 3 cards: no problems\nup to date \(\d\.\d s\)\n",
        ran.out,
    )
    assert times(folder / "build") == before


@pytest.mark.parametrize("card", CARDS)
def test_six_strangers_read_on_each_card_exactly_what_is_planned(
    built: tuple[Path, Ran, dict[str, str]], card: str, tmp_path: Path
) -> None:
    folder = built[0] / "build/cards" / card
    plan = plan_from_text((folder / "plan.json").read_text(encoding="utf-8"))
    assert_all_agree(folder / "card.img", plan, tmp_path)


@pytest.mark.parametrize("card", CARDS)
def test_the_checksums_are_what_sha256sum_says(built: tuple[Path, Ran, dict[str, str]], card: str) -> None:
    # GNU coreutils manual, "sha2 utilities": the form that --check reads
    command = [require("sha256sum"), "--check", "--strict", "--quiet", "SHA256SUMS"]
    subprocess.run(command, cwd=built[0] / "build/cards" / card, check=True)


@pytest.mark.parametrize("card", CARDS)
def test_the_record_keeps_to_its_schema_and_names_every_file(
    built: tuple[Path, Ran, dict[str, str]], card: str
) -> None:
    folder = built[0] / "build/cards" / card
    record = json.loads((folder / "record.json").read_bytes())
    schema = json.loads((ROOT / "schemas/record.schema.json").read_bytes())
    jsonschema.Draft202012Validator(schema).validate(record)
    plan = plan_from_text((folder / "plan.json").read_text(encoding="utf-8"))
    placed = {(entry.path, entry.size, entry.sha256, entry.cluster) for entry in plan.entries if not entry.is_folder}
    recorded = {(file["path"], file["size"], file["sha256"], file["first-cluster"]) for file in record["files"]}
    assert recorded == placed
    assert record["proven"]["files"] == len(placed)


def file_of(folder: Path, card: str, path: str) -> bytes:
    """Return a file of a card, as mtools copies it out (its own code reads partition table and FAT)."""
    plan = plan_from_text((folder / "build/cards" / card / "plan.json").read_text(encoding="utf-8"))
    image = f"{folder / 'build/cards' / card / 'card.img'}@@{plan.volume.start * 512}"
    return subprocess.run([require("mcopy"), "-i", image, f"::{path}", "-"], capture_output=True, check=True).stdout


def test_the_core_that_needs_an_external_keyboard_changes_one_line_of_the_boards_config(
    built: tuple[Path, Ran, dict[str, str]],
) -> None:
    plain = file_of(built[0], "console-corner", "BENCH.SET").split(b"\n")
    changed = file_of(built[0], "quillon-desk", "BENCH.SET").split(b"\n")
    assert [(a, b) for a, b in zip(plain, changed, strict=True) if a != b] == [
        (b"listens-to = lid\r", b"listens-to = socket\r")
    ]


def test_the_disc_library_is_the_first_file_in_every_sense(built: tuple[Path, Ran, dict[str, str]]) -> None:
    # common practice: first slot of the root, no long name before it, lowest cluster, in one piece
    folder = built[0] / "build/cards/quillon-desk"
    plan = plan_from_text((folder / "plan.json").read_text(encoding="utf-8"))
    with (folder / "card.img").open("rb") as image:
        image.seek(plan.volume.root_start * 512)
        slot = image.read(32)
        assert slot[:11] == b"DISCS   LIB"
        assert int.from_bytes(slot[26:28], "little") == 2
        size = int.from_bytes(slot[28:32], "little")
        image.seek(plan.volume.data_start * 512)
        assert image.read(size) == file_of(built[0], "quillon-desk", "DISCS.LIB")


def test_the_tasks_are_listed_with_a_line_each() -> None:
    listed = subprocess.run(
        [sys.executable, "-m", "doit", "list"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert listed.stdout.splitlines() == [
        "check    Check all manifests, and what every card comes to, without building anything.",
        "config   Write or change the config files of each card.",
        "image    Write each card's image as planned, and read it back with other code.",
        "plan     Decide the whole layout of each card.",
        "record   Record what is on each finished card, from what, with every checksum.",
        "rom      Assemble the ROM files of each title from its chips.",
        "sheet    Write the printable page that goes with each finished card.",
    ]
