"""Folders without files: of a tree, of an archive, and named; they are on the card, in the record and in a recipe."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path

import pytest

from pipeline.errors import ManifestError
from tests.strangers import with_dissect, with_mtools
from tests.support import small
from tests.support.building import build_card_in, build_in

CARD = small.CARD.replace('board = "oak"', 'board = "oak"\nfolders = ["SLATE/NEW", "GOODS"]') + (
    '[[files]]\npath = "TREE"\nfrom = "files/tree"\n'
    '[[files]]\npath = "BOX"\nfrom = "files/box.zip"\n'
    '[[files]]\npath = "BARE"\nfrom = "files/bare"\n'
)


def project(folder: Path) -> Path:
    """Return the small project, with empty folders in the board's files, in a folder, in an archive, and named."""
    core = small.CORE.replace("boards =", 'folders = ["SLATE/{core}"]\nboards =')
    small.small_project(folder, {"inputs/cards/desk.toml": CARD, "inputs/cores/fern.toml": core})
    for name in ("system/Logs", "tree/a/b", "bare"):
        (folder / "inputs/files" / name).mkdir(parents=True)
    with zipfile.ZipFile(folder / "inputs/files/box.zip", "w") as archive:
        archive.writestr("x/", b"")
        archive.writestr("y/z.txt", b"z")
    return folder


EMPTY = {"Logs", "TREE/a/b", "BOX/x", "BARE", "SLATE/NEW", "SLATE/FERN"}


def test_empty_folders_are_built_and_recorded(tmp_path: Path) -> None:
    build_card_in(project(tmp_path))

    image = tmp_path / "build/cards/desk/card.img"
    record = json.loads((tmp_path / "build/cards/desk/record.json").read_bytes())
    start = record["volume"]["first-sector"] * 512
    for items in (with_dissect.read(image, start), with_mtools.read(image, start, tmp_path)):
        folders = {item.path for item in items if not item.sha256}
        files = {item.path for item in items if item.sha256}
        assert {path for path in folders if not any(file.startswith(f"{path}/") for file in files)} == EMPTY | {
            "SLATE", "TREE", "TREE/a",
        }  # fmt: skip
        assert folders == {folder["path"] for folder in record["folders"]}


def test_a_folder_that_appears_in_a_tree_is_built(tmp_path: Path) -> None:
    build_card_in(project(tmp_path))
    (tmp_path / "inputs/files/tree/late").mkdir()

    lines = build_card_in(tmp_path)
    assert any(line.startswith("plan") or "desk: FAT16" in line for line in lines)
    record = json.loads((tmp_path / "build/cards/desk/record.json").read_bytes())
    assert "TREE/late" in {folder["path"] for folder in record["folders"]}


def test_a_folder_that_cannot_be_is_told_at_its_key(tmp_path: Path) -> None:
    card = small.CARD.replace('board = "oak"', 'board = "oak"\nfolders = ["bench.set/x"]')
    small.small_project(tmp_path, {"inputs/cards/desk.toml": card})
    build = build_in(tmp_path)
    with pytest.raises(ManifestError) as caught:
        _ = build.card("desk").plan
    assert [str(problem) for problem in build.workspace.located(caught.value.problems)] == [
        'inputs/cards/desk.toml:4:12: folders.1: folder "bench.set" and file "BENCH.SET" are one name to readers that '
        "ignore letter case and how accents are written\n"
        "  see inputs/boards/oak.toml:10:1: settings.language\n"
        "  hint: rename one of them"
    ]
