"""A build folder belongs to its inputs: other inputs, and inputs that are gone, remove nothing."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from pipeline.errors import ManifestError
from pipeline.workspace.owner import BuildOwner, check_owner, gone_as_a_whole, kinds_gone, note_owner
from pipeline.workspace.workspace import Workspace
from tests.support import small
from tests.support.building import workspace_in
from tests.support.cli import digests, doit, write_tree

BADGER: dict[str, str | bytes] = {
    "boards/elm.toml": small.BOARD.replace("Oak", "Elm"),
    "cards/badger.toml": small.CARD.replace("Desk", "Badger").replace("oak", "elm"),
}
"""Other inputs, of which nothing is in the small project."""


def noted(folder: Path) -> Workspace:
    """Return the workspace of the small project, its build folder noted as its own."""
    workspace = workspace_in(small.small_project(folder))
    note_owner(workspace)
    return workspace


def refusal(workspace: Workspace) -> str:
    with pytest.raises(ManifestError) as raised:
        check_owner(workspace)
    return str(raised.value)


def at(folder: Path, inputs: str) -> Workspace:
    return Workspace(folder / inputs, folder / "build", folder)


def test_a_build_folder_without_a_note_is_anyones(tmp_path: Path) -> None:
    check_owner(workspace_in(small.small_project(tmp_path)))
    assert not (tmp_path / "build").exists()


def test_other_inputs_are_refused_by_both_names(tmp_path: Path) -> None:
    noted(tmp_path)
    write_tree(tmp_path / "other", BADGER)
    assert refusal(at(tmp_path, "other")) == (
        "build: was built from the inputs in inputs (card desk), found those in other (card badger); "
        "nothing was built or removed\n"
        "  hint: unset CARDKILN_INPUTS; or, to build these here, move build/ away"
    )


def test_inputs_named_by_the_environment_are_named_again_when_it_is_forgotten(tmp_path: Path) -> None:
    small.small_project(tmp_path)
    write_tree(tmp_path / "other", {**BADGER, **{f"cards/badger-{n}.toml": small.CARD for n in range(4)}})
    note_owner(at(tmp_path, "other"))
    assert refusal(workspace_in(tmp_path)) == (
        "build: was built from the inputs in other (cards badger, badger-0, badger-1 and 2 more), "
        "found those in inputs (card desk); nothing was built or removed\n"
        "  hint: set CARDKILN_INPUTS to other; or, to build these here, move build/ away"
    )


def test_other_manifests_in_the_same_place_are_refused(tmp_path: Path) -> None:
    workspace = noted(tmp_path)
    shutil.rmtree(tmp_path / "inputs")
    write_tree(tmp_path / "inputs", BADGER)
    assert refusal(workspace) == (
        "build: was built from the inputs in inputs (card desk), found others there (card badger); "
        "nothing was built or removed\n"
        "  hint: bring the manifests back to inputs; or, to build these here, move build/ away"
    )


def test_a_copy_beside_the_inputs_is_refused(tmp_path: Path) -> None:
    noted(tmp_path)
    shutil.copytree(tmp_path / "inputs", tmp_path / "copy")
    assert refusal(at(tmp_path, "copy")).startswith("build: was built from the inputs in inputs (card desk)")


def test_inputs_that_were_moved_stay_the_owner(tmp_path: Path) -> None:
    noted(tmp_path)
    (tmp_path / "inputs").rename(tmp_path / "moved")
    check_owner(at(tmp_path, "moved"))


def test_a_project_that_was_moved_as_a_whole_stays_the_owner_and_may_change(tmp_path: Path) -> None:
    noted(tmp_path / "a")
    (tmp_path / "a").rename(tmp_path / "b")
    write_tree(tmp_path / "b", {"inputs/cards/desk.toml": small.CARD + "# changed\n"})
    check_owner(workspace_in(tmp_path / "b"))


def test_inputs_reached_through_a_link_stay_the_owner(tmp_path: Path) -> None:
    noted(tmp_path)
    (tmp_path / "link").symlink_to(tmp_path / "inputs")
    check_owner(at(tmp_path, "link"))


@pytest.mark.parametrize("kept", sorted(name for name in small.FILES if name.endswith("s/desk.toml") or "oak" in name))
def test_in_the_same_place_one_manifest_that_is_there_still_is_enough(tmp_path: Path, kept: str) -> None:
    workspace = noted(tmp_path)
    shutil.rmtree(tmp_path / "inputs")
    write_tree(tmp_path, {kept: small.FILES[kept]})
    check_owner(workspace)


def test_a_manifest_that_was_renamed_is_known_by_what_it_holds(tmp_path: Path) -> None:
    workspace = noted(tmp_path)
    shutil.rmtree(tmp_path / "inputs")
    write_tree(tmp_path, {"inputs/cards/table.toml": small.CARD})
    check_owner(workspace)
    assert kinds_gone(workspace) == ["titles"]


def test_without_a_note_the_finished_cards_tell_whose_it_is(tmp_path: Path) -> None:
    workspace = noted(tmp_path)
    write_tree(tmp_path, {"build/state/owner.json": "damaged", "build/cards/gone/card.img": "x"})
    assert refusal(workspace).startswith("build: was built from the inputs in inputs (card gone), found others there")
    write_tree(tmp_path, {"build/cards/desk/card.img": "x"})
    check_owner(workspace)


def test_kinds_are_gone_only_when_nothing_of_them_is_left() -> None:
    owner = BuildOwner(inputs="inputs", manifests={"cards/a": "1", "cards/b": "2", "titles/c": "3", "cores/d": "4"})
    assert gone_as_a_whole(owner, {"cards/a": "5", "titles/e": "3"}) == []
    assert gone_as_a_whole(owner, {"cards/e": "3", "titles/c": "6"}) == ["cards"]
    assert gone_as_a_whole(owner, {}) == ["cards", "titles"]


def test_a_run_with_other_inputs_or_none_removes_nothing(tmp_path: Path) -> None:
    folder = small.small_project(tmp_path)
    write_tree(folder / "other", BADGER)
    (folder / "empty").mkdir()
    assert doit(folder).code == 0
    before = digests(folder / "build")
    ran = doit(folder, CARDKILN_INPUTS="other")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.startswith("build: was built from the inputs in inputs (card desk), found those in other")
    ran = doit(folder, CARDKILN_INPUTS="empty")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.startswith("empty: found no board and no card")
    assert digests(folder / "build") == before
    assert doit(folder).out.endswith("s)\n")


def test_the_check_names_inputs_that_are_not_the_usual_ones(tmp_path: Path) -> None:
    small.small_project(tmp_path / "mine")
    ran = doit(tmp_path, "check", CARDKILN_INPUTS="mine/inputs")
    assert (ran.code, ran.err) == (0, "")
    assert ran.out == "check   1 board, 1 core, 1 title, 1 card: no problems in mine/inputs\n"
