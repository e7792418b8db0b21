"""What may be published: the bytes that passed the gate, by one run at a time, and nothing that is the user's."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.distribute import publish as publishing
from pipeline.distribute.receive import check, take_image
from pipeline.publish.pack import pack, unpack
from pipeline.publish.rights import HINT
from pipeline.workspace.lock import locked
from pipeline.workspace.stamp import read_stamp, write_stamp
from tests.support import small
from tests.support.building import build_card_in, workspace_in
from tests.support.cli import BYTECODE, Ran, command, digests, sha256, write_tree
from tests.unit.commands.test_publish import RIGHTS, built, publish

LOCKED = "another run is working in build/\n  hint: wait until it has ended\n"
SAVED: dict[str, str | bytes] = {
    "inputs/cards/desk.toml": 'keep = ["SLATE/**"]\n' + small.CARD,
    "inputs/kept/desk/SLATE/ONE.DAT": b"level 3",
}
EDITED = """\
[[files]]
path = "CLUB/NOTE.CFG"
from = "files/note.cfg"
[[edits]]
path = "CLUB/NOTE.CFG"
section = "night"
key = "length"
value = "5"
"""


def record_of(folder: Path) -> Any:
    return json.loads((folder / "record.json").read_bytes())


def raw_image(published: Path, target: Path) -> bytes:
    """Return the bytes of a published image."""
    unpack(published / "card.img.zst", target, record_of(published)["image"]["size"])
    return target.read_bytes()


# one run at a time


def test_nothing_is_published_while_another_run_works(tmp_path: Path) -> None:
    folder = built(tmp_path)
    with locked(folder / "build"):
        assert publish(folder) == Ran(3, "", LOCKED)
        assert publish(folder, "--recipe") == Ran(3, "", LOCKED)
    assert not (folder / "dist").exists()


def test_builds_and_publications_at_once_publish_whole_versions_only(tmp_path: Path) -> None:
    """Four versions, each built by one process while two others publish; every folder is then received."""
    folder = built(tmp_path)
    environment = {**os.environ, **BYTECODE}
    publishes = [sys.executable, "-m", "doit", "publish", "desk", "--form", "gzip"]

    def start(words: list[str]) -> subprocess.Popen[str]:
        return subprocess.Popen(words, cwd=folder, env=environment, stderr=subprocess.PIPE, text=True)

    for version in ("2", "3", "4", "5"):
        card = small.CARD.replace('version = "1"', f'version = "{version}"').replace("DESK", f"DESK{version}")
        (folder / "inputs/cards/desk.toml").write_text(card)
        running = [start(words) for words in (command(folder, "sheet:desk"), publishes, publishes)]
        told = [process.communicate(timeout=120)[1] for process in running]
        assert {process.returncode for process in running} <= {0, 1, 3}
        assert not [text for text in told if "Traceback" in text]
    build_card_in(folder)
    running = [start(publishes) for _ in range(3)]
    told = [process.communicate(timeout=120)[1] for process in running]
    done = [process.returncode for process in running].count(0)
    if (folder / "dist/desk-5").exists() and not done:  # it was published in the last round already
        assert all(LOCKED in text or "is published already" in text for text in told)
    else:
        assert done == 1
    published = sorted(path for path in (folder / "dist").iterdir() if path.is_dir())
    assert folder / "dist/desk-5" in published
    for path in published:
        take_image(workspace_in(tmp_path / "receiver"), check(path, None))


# the bytes that passed


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda image: image.write_bytes(b"\1" + image.read_bytes()[1:]), "card.img: found the SHA-256 "),
        (lambda image: image.touch(), "card.img: was changed while it was published\n  hint: build it again\n"),
        (lambda image: image.with_name("x").write_bytes(image.read_bytes()) and image.with_name("x").replace(image),
         "card.img: was changed while it was published\n  hint: build it again\n"),
    ],
)  # fmt: skip
def test_an_image_that_changes_after_it_was_read_back_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, change: Callable[[Path], object], told: str
) -> None:
    folder = built(tmp_path)

    def changing(image: Path, *rest: Any) -> str:
        change(image)
        return pack(image, *rest)

    monkeypatch.setattr(publishing, "pack", changing)
    ran = publish(folder)
    assert (ran.code, ran.out) == (1, "")
    assert told in ran.err
    assert [*(folder / "dist").iterdir()] == []


def test_a_sheet_forged_with_its_stamp_is_refused(tmp_path: Path) -> None:
    folder = built(tmp_path)
    page, stamp = folder / "build/cards/desk/sheet.html", folder / "build/state/sheet/desk.json"
    page.write_bytes(page.read_bytes().replace(b"Desk", b"Dusk"))
    write_stamp(stamp, read_stamp(stamp).inputs, {"sheet.html": (page, sha256(page))})
    ran = publish(folder)
    assert ran == Ran(
        1, "",
        "build/cards/desk/sheet.html: is not the sheet of this build\n  hint: delete it, then doit sheet:desk\n",
    )  # fmt: skip
    page.unlink()
    build_card_in(folder)
    assert publish(folder).code == 0


def test_a_forged_record_is_refused_and_the_build_restores_it(tmp_path: Path) -> None:
    folder = built(tmp_path)
    card, good = folder / "build/cards/desk", digests(folder / "build/cards/desk")
    record = (card / "record.json").read_bytes().replace(b"Snail race", b"Snail pace")
    (card / "record.json").write_bytes(record)
    sums = {**good, "record.json": small.sha(record)}
    names = ("card.img", "plan.json", "record.json")
    (card / "SHA256SUMS").write_text("".join(f"{sums[name]}  {name}\n" for name in names))
    ran = publish(folder)
    assert (ran.code, ran.out) == (1, "")
    assert "inputs/cards/desk.toml: the build is out of date: record: record.json is out of date\n" in ran.err
    build_card_in(folder)
    assert digests(card) == good


def test_a_warning_taken_out_of_the_state_is_found_anew(tmp_path: Path) -> None:
    """The stamp of a card whose bitstream cannot be identified is forged, so that no warning is left."""
    board = small.BOARD.replace(small.UNCHECKED, "") + RIGHTS
    folder = built(tmp_path, {"inputs/boards/oak.toml": board})
    card, stamp = folder / "build/cards/desk", folder / "build/state/image/desk.json"
    made = read_stamp(stamp)
    facts: Any = made.facts
    assert len(facts["findings"]) == 1
    told = publish(folder).err
    assert "is not accepted" in told
    assert told.count("\n") == 2
    good = sha256(card / "card.img")
    write_stamp(stamp, made.inputs, {"card.img": (card / "card.img", good)}, {**facts, "findings": []})
    build_card_in(folder)
    assert publish(folder).err == told
    rule = record_of(card)["warnings"][0]["rule"]
    (folder / "inputs/cards/desk.toml").write_text(f'{small.CARD}[accept]\n{rule} = "tried at the club"\n')
    build_card_in(folder)
    assert publish(folder).code == 0


# rights


def test_an_edit_does_not_move_a_file_under_the_rights_of_the_board(tmp_path: Path) -> None:
    """The note is the card's, whose rights nobody stated."""
    note = b"[night]\r\nlength = 3\r\n; a secret of its author\r\n"
    folder = built(tmp_path, {"inputs/cards/desk.toml": small.CARD + EDITED, "inputs/files/note.cfg": note})
    assert publish(folder) == Ran(
        1, "",
        "inputs/cards/desk.toml:1:1: rights: licence, holder and source are missing; licence, holder and source are "
        f"all required to publish\n  hint: {HINT}\n",
    )  # fmt: skip
    assert publish(folder, "--recipe").code == 0
    recipe = folder / "dist/desk-1-recipe"
    assert not [path for path in recipe.rglob("*") if path.is_file() and b"a secret" in path.read_bytes()]
    brought = json.loads((recipe / "recipe.json").read_bytes())["bring"]
    known = {"role": "CLUB/NOTE.CFG", "size": len(note), "sha256": small.sha(note), "owner": "desk"}
    assert known in brought


def test_a_recipe_leaves_out_files_of_others_that_come_to_nothing_on_the_card(tmp_path: Path) -> None:
    """The user's own file takes the place of the card's, which nobody stated rights for; neither is passed on."""
    card = 'keep = ["CLUB/**"]\n' + small.CARD + '[[files]]\npath = "CLUB/A.TXT"\nfrom = "files/a.txt"\n'
    files: dict[str, str | bytes] = {"inputs/files/a.txt": b"a secret", "inputs/kept/desk/CLUB/A.TXT": b"mine"}
    folder = built(tmp_path, {"inputs/cards/desk.toml": card, **files})
    assert publish(folder, "--recipe").code == 0
    data = [path.read_bytes() for path in (folder / "dist/desk-1-recipe").rglob("*") if path.is_file()]
    assert not [one for one in data if b"a secret" in one or b"mine" in one]


# what is the user's


def test_files_kept_for_a_card_are_left_out_and_the_record_says_so(tmp_path: Path) -> None:
    folder = built(tmp_path / "project", SAVED)
    before = digests(folder / "build/cards/desk")
    ran = publish(folder)
    assert (ran.code, ran.err) == (0, "")
    assert "without the files kept for it (SLATE/**), which are the user's\n" in ran.out
    target = folder / "dist/desk-1"
    record = record_of(target)
    assert record["card"]["without-kept"] == ["SLATE/**"]
    assert not [file for file in record["files"] if file["path"].startswith("SLATE")]
    assert b"level 3" not in raw_image(target, tmp_path / "card.img")
    assert sha256(tmp_path / "card.img") == record["image"]["sha256"]
    assert digests(folder / "build/cards/desk") == before
    assert not (folder / "build/publishing").exists()
    take_image(workspace_in(tmp_path / "receiver"), check(target, None))


def test_a_card_without_kept_files_is_published_as_it_was_built(tmp_path: Path) -> None:
    folder = built(tmp_path, {"inputs/cards/desk.toml": SAVED["inputs/cards/desk.toml"]})
    assert publish(folder).code == 0
    for name in ("record.json", "plan.json", "sheet.html"):
        assert sha256(folder / "dist/desk-1" / name) == sha256(folder / "build/cards/desk" / name)
    assert "without-kept" not in record_of(folder / "dist/desk-1")["card"]


# everything at once


def test_everything_that_stands_against_it_is_told_at_once(tmp_path: Path) -> None:
    old_facts = 'release = "1.0"\nrelease-date = "2026-02-01"\ndate = "2026-01-01"'
    folder = built(tmp_path, {"inputs/titles/snail-race.toml": small.TITLE})
    write_tree(
        folder,
        {
            "inputs/cores/fern.toml": small.CORE.replace('release = "1.0"', old_facts) + RIGHTS,
            "inputs/cards/desk.toml": small.CARD.replace("DESK", "TABLE"),
            "dist/desk-1/record.json": "{",
        },
    )
    ran = publish(folder, "--key", "none")
    assert (ran.code, ran.out) == (1, "")
    told = [line for line in ran.err.splitlines() if not line.startswith("  hint: ")]
    assert told == [
        "dist/desk-1/record.json: is damaged; the index of versions and the list of changes need it",
        "inputs/cards/desk.toml: the build is out of date: plan: the card's contents or layout changed",
        "inputs/cards/desk.toml: the warning facts-are-current is not accepted: the facts on core "
        '"fern" are of 2026-01-01, its release 1.0 of 2026-02-01',
        'inputs/cards/desk.toml:2:11: version: version "1" is published already: dist/desk-1',
        "inputs/titles/snail-race.toml:1:1: rights: licence, holder and source are missing; licence, holder and source "
        "are all required to publish",
        "none.pub: is not a public key; expected one beside the private key",
    ]


@pytest.mark.parametrize("version", ["..", "a/b", "con", "AUX", "nul.1", "1.", " 1", "lpt1"])
def test_a_version_that_cannot_name_a_folder_is_refused(tmp_path: Path, version: str) -> None:
    folder = built(tmp_path, {"inputs/cards/desk.toml": small.CARD.replace('version = "1"', f'version = "{version}"')})
    ran = publish(folder)
    assert (ran.code, ran.out) == (2, "")
    assert ran.err == (
        f'inputs/cards/desk.toml:2:11: version: found "{version}", expected letters, digits, ".", "_", "+" and "-", '
        'since it names a folder\n  hint: for example "1.2"\n'
    )
    assert not (folder / "dist").exists()
