"""A second machine takes the ROM files that a first one assembled, and any trouble with the store is only told."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from pipeline.build import find, recipe
from pipeline.build.build import Build
from pipeline.build.flow import build_title
from pipeline.build.rom import TitleRoms
from pipeline.errors import CheckError, Problem
from pipeline.store.store import Store
from tests.support import small
from tests.support.building import build_in
from tests.support.cli import doit, own_command

ASSEMBLED = "snail-race: 1 ROM file from 2 chips, 2 KiB"
TAKEN = "snail-race: 1 ROM file from the store, 2 KiB"
UNDECLARED = small.TITLE.replace(f'sha256 = "{small.sha(small.ROM)}"\n', "")


def project_in(folder: Path, store: Path, *, read_only: bool = False) -> Build:
    return build_in(folder, Store(str(store), read_only=read_only))


def roms(build: Build, title: str = "snail-race") -> TitleRoms:
    return build.title(build.inputs.manifest.titles[title])


def rom_made(build: Build) -> tuple[str, tuple[Problem, ...]]:
    """Make the ROM file as its task does, and return the line of that, and the warnings."""
    line = roms(build).take()
    if line is None:
        find.complete(build)
        line = build_title(build, roms(build))
    return line, build.workspace.take_warnings()


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A store that a first machine has filled."""
    folder = small.small_project(tmp_path / "first")
    assert rom_made(project_in(folder, tmp_path / "store")) == (ASSEMBLED, ())
    return tmp_path / "store"


def only_object(store: Path) -> Path:
    (path,) = (path for path in store.rglob("*") if path.is_file())
    return path


def test_another_machine_needs_no_chips_and_gets_the_same_card(store: Path, tmp_path: Path) -> None:
    assert doit(tmp_path / "first").code == 0
    folder = small.small_project(tmp_path / "second")
    for chip in ("x/dump(1).bin", "dump(2).bin"):
        (folder / "inputs/files/attic" / chip).unlink()
    assert doit(folder).code == 1
    ran = doit(folder, CARDKILN_STORE=str(store), CARDKILN_STORE_READ_ONLY="1")
    assert (ran.code, ran.err) == (0, "")
    assert f"\nrom     {TAKEN}\n" in ran.out
    for name in ("card.img", "record.json", "sheet.html", "SHA256SUMS"):
        first, second = (tmp_path / one / "build/cards/desk" / name for one in ("first", "second"))
        assert first.read_bytes() == second.read_bytes()
    assert "up to date" in doit(folder).out


def test_a_title_that_is_assembled_does_not_ask_for_chips_of_one_that_is_stored(store: Path, tmp_path: Path) -> None:
    thistle = small.TITLE.replace("Snail race", "Thistle").replace("b1", "c1").replace("SNAIL.ROM", "THISTLE.ROM")
    thistle = thistle.replace(small.sha(small.CHIP_B), small.sha(small.CHIP_A))
    thistle = thistle.replace(small.sha(small.ROM), small.sha(2 * small.CHIP_A))
    project = project_in(small.small_project(tmp_path / "second", {"inputs/titles/thistle.toml": thistle}), store)
    (project.workspace.inputs / "files/attic/dump(2).bin").unlink()  # chip b1, which only the snails need
    card = small.CARD.replace('titles = ["snail-race"]', 'titles = ["thistle", "snail-race"]')
    (project.workspace.inputs / "cards/desk.toml").write_text(card, encoding="utf-8")
    project.asked = ("rom:thistle",)
    find.complete(project)
    assert build_title(project, roms(project, "thistle")) == "thistle: 1 ROM file from 2 chips, 2 KiB"
    assert roms(project).take() == TAKEN


def test_a_title_with_all_its_chips_is_taken_without_a_search(store: Path, tmp_path: Path) -> None:
    ran = doit(small.small_project(tmp_path / "second"), "rom:snail-race", CARDKILN_STORE=str(store))
    assert (ran.code, ran.err) == (0, "")
    assert f"\nrom     {TAKEN}\n" in ran.out
    assert "find" not in ran.out


def test_a_bad_object_is_assembled_anew_and_replaced(store: Path, tmp_path: Path) -> None:
    stored = only_object(store)
    good = stored.read_bytes()
    stored.write_bytes(good[:-1] + b"?")
    project = project_in(small.small_project(tmp_path / "second"), store)
    assert rom_made(project) == (ASSEMBLED, ())
    assert only_object(store).read_bytes() == good


def test_read_only_a_bad_object_is_left(store: Path, tmp_path: Path) -> None:
    only_object(store).write_bytes(b"bad")
    project = project_in(small.small_project(tmp_path / "second"), store, read_only=True)
    assert rom_made(project) == (ASSEMBLED, ())
    assert only_object(store).read_bytes() == b"bad"


def test_an_object_that_is_not_as_declared_is_assembled_anew_and_replaced(store: Path, tmp_path: Path) -> None:
    project = project_in(small.small_project(tmp_path / "second"), store)
    made = roms(project)
    good = only_object(store).read_bytes()
    assert Store(str(store)).write(made.recipe.store_key(made.title.roms[0]), small.CHIP_B + small.CHIP_A)
    assert only_object(store).read_bytes() != good
    assert rom_made(project) == (ASSEMBLED, ())
    assert only_object(store).read_bytes() == good


def test_missing_chips_are_told_when_the_object_is_bad(store: Path, tmp_path: Path) -> None:
    only_object(store).write_bytes(b"bad")
    project = project_in(small.small_project(tmp_path / "second"), store)
    (project.workspace.inputs / "files/attic/dump(2).bin").unlink()
    with pytest.raises(CheckError, match="chip b1 of Snail race is in none of the 1 place searched"):
        rom_made(project)


def test_a_store_that_fails_is_one_warning_and_the_card_is_built(tmp_path: Path) -> None:
    second = small.TITLE.replace("Snail race", "Slug race").replace("SNAIL.ROM", "SLUG.ROM")
    card = small.CARD.replace('titles = ["snail-race"]', 'titles = ["slug-race", "snail-race"]')
    changes: dict[str, str | bytes] = {"inputs/titles/slug-race.toml": second, "inputs/cards/desk.toml": card}
    folder = small.small_project(tmp_path / "project", changes)
    (tmp_path / "file").write_bytes(b"")
    ran = doit(folder, CARDKILN_STORE=str(tmp_path / "file"))
    assert ran.code == 0
    assert ran.err.count("warning") == 1
    assert ran.err.startswith("warning: CARDKILN_STORE: the store cannot be read: NotADirectoryError: ")
    assert (folder / "build/cards/desk/record.json").is_file()


@pytest.fixture
def project(tmp_path: Path) -> Build:
    """A project with a store, whose ROM file has no declared SHA-256."""
    folder = small.small_project(tmp_path / "third", {"inputs/titles/snail-race.toml": UNDECLARED})
    return project_in(folder, tmp_path / "store")


def test_a_pinned_hash_asks_for_the_same_object(store: Path, project: Build) -> None:
    assert roms(project).take() == TAKEN
    assert roms(project).reason() is None
    data = roms(project).paths["SNAIL.ROM"].read_bytes()
    assert hashlib.sha256(data).hexdigest() == small.sha(small.ROM)


def test_another_version_of_the_program_takes_nothing(
    store: Path, project: Build, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recipe, "PROGRAM", "cardkiln 99")
    assert roms(project).take() is None


def test_another_recipe_takes_nothing(store: Path, project: Build, tmp_path: Path) -> None:
    other = UNDECLARED.replace('["a1", "b1"]', '["b1", "a1"]')
    (project.workspace.inputs / "titles/snail-race.toml").write_text(other, encoding="utf-8")
    assert roms(project).take() is None


def test_prove_assembles_and_does_not_ask_the_store(tmp_path: Path) -> None:
    """Else a wrong object would prove itself."""
    wrong = tmp_path / "wrong"
    folder = small.small_project(tmp_path / "second", {"inputs/titles/snail-race.toml": UNDECLARED})
    project = project_in(folder, wrong)
    other = small.CHIP_B + small.CHIP_A
    made = roms(project)
    assert Store(str(wrong)).write(made.recipe.store_key(made.title.roms[0]), other)
    ran = doit(folder, CARDKILN_STORE=str(wrong))
    assert (ran.code, ran.err) == (0, "")
    assert f"\nrom     {TAKEN}\n" in ran.out
    ran = own_command(folder, "prove", "desk", CARDKILN_STORE=str(wrong))
    assert ran.code == 1
