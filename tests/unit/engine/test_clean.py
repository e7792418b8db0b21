"""``doit clean`` removes the outputs of the named tasks, and what no manifest declares any more only on request."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests.support import small
from tests.support.building import build_card_in
from tests.support.cli import ROOT, Ran, call, doit, write_tree

DESK = [
    "build/cards/desk/sheet.html",
    "build/state/sheet/desk.json",
    "build/cards/desk/record.json",
    "build/cards/desk/SHA256SUMS",
    "build/cards/desk/card.img",
    "build/state/image/desk.json",
    "build/state/image/desk.plan",
    "build/configs/desk",
    "build/cards/desk/plan.json",
    "build/roms/snail-race",
]
"""What is made of the card, from the last task to the first."""


def clean(folder: Path, *arguments: str, **environment: str) -> Ran:
    words = [sys.executable, "-m", "pipeline.engine.main", "clean", "-f", str(ROOT / "dodo.py"), "-d", str(folder)]
    return call(ROOT, [*words, *arguments], **environment)


def outputs(folder: Path) -> list[str]:
    """Return the files below the folders of ``build``; what is known of earlier builds stays."""
    files = (path for path in sorted((folder / "build").rglob("*")) if path.is_file())
    return [
        name
        for path in files
        if (name := path.relative_to(folder).as_posix()).count("/") > 2 and "/builds/" not in name
    ]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return the small project, its card built, and an output of a card and of a title that are no more."""
    small.small_project(tmp_path)
    build_card_in(tmp_path)
    write_tree(tmp_path, {"build/cards/gone/card.img": "x", "build/roms/gone/GONE.ROM": "x"})
    return tmp_path


def test_all_outputs_are_removed_when_no_task_is_named(folder: Path) -> None:
    ran = clean(folder)
    assert (ran.code, ran.err) == (0, "")
    gone = ["build/cards/gone", "build/roms/gone"]
    assert sorted(ran.out.splitlines()) == sorted(f"clean   {path}" for path in [*DESK, *gone])
    assert outputs(folder) == []
    assert doit(folder, "record:desk").code == 0


def test_rom_files_that_were_removed_are_new_to_the_next_run(folder: Path) -> None:
    assert clean(folder, "rom:snail-race").code == 0
    assert "rom     snail-race: 1 ROM file from 2 chips, 2 KiB\n" in doit(folder).out


def test_a_dry_run_removes_nothing(folder: Path) -> None:
    before = outputs(folder)
    ran = clean(folder, "--dry-run")
    assert (ran.code, ran.err) == (0, "")
    assert "clean   build/cards/desk/card.img would be removed\n" in ran.out
    assert len(ran.out.splitlines()) == 12
    assert outputs(folder) == before


def test_only_outputs_of_the_named_task_are_removed(folder: Path) -> None:
    before = outputs(folder)
    ran = clean(folder, "image:desk")
    image = DESK[4:7]
    assert (ran.code, ran.err) == (0, "")
    assert sorted(ran.out.splitlines()) == sorted(f"clean   {path}" for path in image)
    assert outputs(folder) == [path for path in before if path not in image]


def test_what_no_manifest_declares_any_more_goes_on_request(folder: Path) -> None:
    ran = clean(folder, "--vanished")
    assert (ran.code, ran.err) == (0, "")
    assert ran.out == "clean   build/cards/gone\nclean   build/roms/gone\n"
    assert (folder / "build/cards/desk/card.img").exists()


def test_wrong_manifests_keep_what_they_may_declare(folder: Path) -> None:
    write_tree(folder, {"inputs/cards/desk.toml": "name = 1\n"})
    ran = clean(folder, "image:desk")
    assert (ran.code, ran.err) == (0, "")
    ran = clean(folder, "--vanished")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.startswith("inputs/cards/desk.toml")
    assert (folder / "build/cards/gone/card.img").exists()


def test_other_inputs_clean_nothing(folder: Path) -> None:
    before = outputs(folder)
    write_tree(folder, {"other/cards/badger.toml": small.CARD, "other/boards/elm.toml": small.BOARD})
    ran = clean(folder, CARDKILN_INPUTS=str(folder / "other"))
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.startswith("build: was built from the inputs in ")
    assert outputs(folder) == before


def test_another_database_is_refused(folder: Path) -> None:
    ran = clean(folder, "--db-file", "x")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err == "--db-file has no effect: there is no database\n  hint: leave it out\n"


def test_inputs_are_taken_from_where_one_stands(tmp_path: Path) -> None:
    small.small_project(tmp_path / "here/mine")
    (tmp_path / "project").mkdir()
    words = [sys.executable, "-m", "pipeline.engine.main", "run", "-f", str(ROOT / "dodo.py"), "-d"]
    environment = {"CARDKILN_INPUTS": "mine/inputs", "PYTHONPATH": str(ROOT)}
    ran = call(tmp_path / "here", [*words, str(tmp_path / "project"), "check"], **environment)
    assert (ran.code, ran.err) == (0, "")
    assert ran.out == f"check   1 board, 1 core, 1 title, 1 card: no problems in {tmp_path / 'here/mine/inputs'}\n"
