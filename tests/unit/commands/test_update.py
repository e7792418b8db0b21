"""``doit update``: a mounted card is brought up to date file by file. A folder stands for the mounted card."""

from __future__ import annotations

import errno
import json
import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from pipeline.commands.update import UpdateCard
from pipeline.device.folder import belongs, is_litter, write_file
from pipeline.errors import CheckError
from pipeline.media import update as media
from pipeline.model.content import Content
from tests.strangers.tools import require
from tests.strangers.with_mtools import settings
from tests.support import small
from tests.support.building import build_card_in
from tests.support.cli import within

KEEP = 'keep = ["SLATE/**"]\n'


@pytest.fixture
def project(tmp_path: Path) -> Path:
    folder = small.small_project(tmp_path / "project", {"inputs/cards/desk.toml": KEEP + small.CARD})
    build_card_in(folder)
    return folder


@pytest.fixture
def card(project: Path, tmp_path: Path) -> Path:
    """The card as it is mounted, taken out of the image by mtools."""
    start = json.loads((project / "build/cards/desk/record.json").read_bytes())["volume"]["first-sector"]
    image = f"{project}/build/cards/desk/card.img@@{start * 512}"
    (tmp_path / "card").mkdir()
    copy = [require("mcopy"), "-s", "-n", "-i", image, "::/*", str(tmp_path / "card")]
    subprocess.run(copy, env=settings(tmp_path), check=True)
    return tmp_path / "card"


def newer(project: Path) -> None:
    """Another setting, so that a config file changes."""
    (project / "inputs/boards/oak.toml").write_text(small.BOARD.replace('regional = "1"', 'regional = "2"'))
    build_card_in(project)


def files(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_a_card_as_built_is_left_alone(project: Path, card: Path) -> None:
    before = files(card)
    ran = within(project, UpdateCard, "desk", str(card))
    assert (ran.code, ran.err) == (0, "")
    assert ran.out == "0 files written, each read back, possibly from the system's cache; 4 are as built\n"
    assert files(card) == before


def test_an_empty_folder_of_the_card_is_made(project: Path, card: Path) -> None:
    text = KEEP + 'folders = ["STATES/SLOT1"]\n' + small.CARD
    (project / "inputs/cards/desk.toml").write_text(text)
    build_card_in(project)
    ran = within(project, UpdateCard, "desk", str(card))
    assert (ran.code, ran.err) == (0, "")
    assert (card / "STATES/SLOT1").is_dir()


def test_only_what_changed_is_written_and_what_is_the_users_stays(project: Path, card: Path) -> None:
    (card / "SLATE").mkdir()
    (card / "SLATE/score.dat").write_bytes(b"mine")
    (card / "System Volume Information").mkdir()
    (card / "System Volume Information/x").write_bytes(b"")
    (card / "letter.txt").write_bytes(b"?")
    kept = {path: (card / path).stat().st_mtime_ns for path in files(card) if path != "BENCH.SET"}
    newer(project)
    ran = within(project, UpdateCard, "desk", str(card))
    assert (ran.code, ran.err) == (0, "")
    assert ran.out == (
        "replaced BENCH.SET\nleft letter.txt\n--clean removes what is left\nyours: 1 file left unchanged\n"
        "1 file written, each read back, possibly from the system's cache; 3 are as built\n"
    )
    assert {path: (card / path).stat().st_mtime_ns for path in files(card) if path != "BENCH.SET"} == kept
    assert (card / "BENCH.SET").read_bytes() == small.CONFIG.replace(b"form = 0", b"form = 2")


def test_what_would_be_done_is_told_without_doing_it(project: Path, card: Path) -> None:
    newer(project)
    (card / "GOODS/FERN/SNAIL.ROM").unlink()
    (card / "letter.txt").write_bytes(b"?")
    before = files(card)
    ran = within(project, UpdateCard, "desk", str(card), "--list", "--clean")
    assert ran.out == (
        "would be added GOODS/FERN/SNAIL.ROM\nwould be replaced BENCH.SET\nwould be removed letter.txt\n"
        "2 files would be written; 2 are as built\n"
    )
    assert files(card) == before
    document = json.loads(within(project, UpdateCard, "desk", str(card), "--json").out)
    assert (document["added"], document["replaced"], document["others"], document["same"]) == (
        ["GOODS/FERN/SNAIL.ROM"], ["BENCH.SET"], ["letter.txt"], 2,
    )  # fmt: skip
    assert (card / "GOODS/FERN/SNAIL.ROM").read_bytes() == small.ROM


def test_cleaning_removes_what_is_nobodys(project: Path, card: Path) -> None:
    before = files(card)
    (card / "letter.txt").write_bytes(b"?")
    (card / "._letter.txt").write_bytes(b"?")
    assert within(project, UpdateCard, "desk", str(card), "--clean").code == 0
    assert files(card) == {**before, "._letter.txt": b"?"}


def test_a_file_named_like_those_that_are_written_first_is_left_alone(project: Path, card: Path) -> None:
    """Whether a killed run left it or a person made it cannot be told."""
    newer(project)
    for name in ("CKNEW.TMP", "CKNEW001.TMP", "GOODS/cknew.tmp"):
        (card / name).write_bytes(b"mine")
    before = files(card)
    ran = within(project, UpdateCard, "desk", str(card))
    assert (ran.code, ran.err) == (0, "")
    assert ran.out == (
        "replaced BENCH.SET\nleft CKNEW.TMP\nleft CKNEW001.TMP\nleft GOODS/cknew.tmp\n"
        "--clean removes what is left\n"
        "1 file written, each read back, possibly from the system's cache; 3 are as built\n"
    )
    assert files(card) == {**before, "BENCH.SET": (card / "BENCH.SET").read_bytes()}
    assert within(project, UpdateCard, "desk", str(card), "--clean").code == 0
    assert not list(card.rglob("CKNEW*"))


@pytest.mark.parametrize("link", ["BENCH.SET", "GOODS", "GOODS/FERN"])
def test_nothing_is_written_through_a_link(project: Path, card: Path, tmp_path: Path, link: str) -> None:
    outside = tmp_path / "outside"
    shutil.move(card / link, outside)
    (card / link).symlink_to(outside)
    newer(project)
    rom = card / "GOODS/FERN/SNAIL.ROM"
    rom.write_bytes(b"old")
    before = {**files(tmp_path / "card"), "outside": outside.read_bytes() if outside.is_file() else files(outside)}
    ran = within(project, UpdateCard, "desk", str(card))
    assert (ran.code, ran.out) == (4, "")
    assert ran.err == (
        f"{card / link}: is a link, and no FAT volume has links; nothing was written through it\n"
        "  hint: name the folder where the card itself is mounted\n"
    )
    after = {**files(tmp_path / "card"), "outside": outside.read_bytes() if outside.is_file() else files(outside)}
    assert after == before


def test_a_new_file_is_not_written_through_a_link_with_its_temporary_name(tmp_path: Path) -> None:
    (tmp_path / "outside").write_bytes(b"mine")
    (tmp_path / "card").mkdir()
    (tmp_path / "card/CKNEW.TMP").symlink_to(tmp_path / "outside")
    write_file(tmp_path / "card", "A.TXT", content(b"new"), iter([b"new"]))
    assert (tmp_path / "outside").read_bytes() == b"mine"
    assert files(tmp_path / "card") == {"A.TXT": b"new", "CKNEW.TMP": b"mine"}


def test_what_is_written_is_the_build_that_was_compared(
    project: Path, card: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another build ends between comparing and writing, and lays its files out in another way."""
    newer(project)
    expected = small.CONFIG.replace(b"form = 0", b"form = 2")
    apply = media.apply

    def building(*arguments: Any, clean: bool) -> None:
        (project / "inputs/cards/desk.toml").write_text(KEEP + small.CARD.replace("16 MiB", "32 MiB"))
        (project / "inputs/boards/oak.toml").write_text(small.BOARD.replace('regional = "1"', 'regional = "3"'))
        build_card_in(project)
        apply(*arguments, clean=clean)

    monkeypatch.setattr(media, "apply", building)
    ran = within(project, UpdateCard, "desk", str(card))
    assert (ran.code, ran.err) == (0, "")
    assert (card / "BENCH.SET").read_bytes() == expected


def test_names_in_another_case_are_the_same_file(project: Path, card: Path) -> None:
    (card / "BENCH.SET").rename(card / "bench.set")
    assert within(project, UpdateCard, "desk", str(card)).out.endswith("; 4 are as built\n")


def test_another_folder_is_refused(project: Path, tmp_path: Path) -> None:
    (tmp_path / "home").mkdir()
    (tmp_path / "home/BENCH.SET").write_bytes(b"x")
    ran = within(project, UpdateCard, "desk", str(tmp_path / "home"))
    assert (ran.code, ran.out) == (4, "")
    assert ran.err == (
        f"{tmp_path}/home: 1 of the 4 files of desk are there; expected at least half of them\n"
        "  hint: this seems to be another card; doit write makes a new one\n"
    )
    assert files(tmp_path / "home") == {"BENCH.SET": b"x"}


def test_a_changed_first_file_needs_the_card_written_whole(project: Path, card: Path) -> None:
    more = '[[files]]\npath = "DISCS.LIB"\nfrom = "files/discs.lib"\nplacement = "first"\n'
    (project / "inputs/files/discs.lib").write_bytes(b"discs")
    (project / "inputs/cards/desk.toml").write_text(KEEP + small.CARD + more)
    build_card_in(project)
    before = files(card)
    ran = within(project, UpdateCard, "desk", str(card))
    assert (ran.code, ran.out) == (1, "")
    assert ran.err == (
        f'{card}: "DISCS.LIB" differs and must be the first file of the card; only doit write can put it there\n'
        "  hint: doit write desk DEVICE; nothing was changed\n"
    )
    assert files(card) == before


def test_a_build_that_is_not_current_is_refused(project: Path, card: Path) -> None:
    (project / "inputs/boards/oak.toml").write_text(small.BOARD.replace('regional = "1"', 'regional = "2"'))
    ran = within(project, UpdateCard, "desk", str(card))
    assert ran.code == 1
    assert ran.err.startswith("inputs/cards/desk.toml: the build is out of date: plan: ")


# one file


def content(data: bytes) -> Content:
    return Content(sha256=small.sha(data), size=len(data))


def test_a_file_that_cannot_be_written_whole_leaves_the_old_one(tmp_path: Path) -> None:
    (tmp_path / "A.TXT").write_bytes(b"old")

    def failing() -> Iterator[bytes]:
        yield b"ne"
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with pytest.raises(OSError, match="No space left"):
        write_file(tmp_path, "A.TXT", content(b"new"), failing())
    with pytest.raises(CheckError, match="its source changed meanwhile"):
        write_file(tmp_path, "A.TXT", content(b"new"), iter([b"nex"]))
    assert files(tmp_path) == {"A.TXT": b"old"}
    write_file(tmp_path, "A.TXT", content(b"new"), iter([b"n", b"ew"]))
    assert files(tmp_path) == {"A.TXT": b"new"}


@pytest.mark.parametrize(
    ("path", "fits"),
    [("SLATE/a.dat", True), ("slate/deep/er.dat", True), ("SLATE", False), ("SLATEX/a", False), ("HIGH.SCO", True)],
)
def test_what_belongs_to_the_user(path: str, fits: bool) -> None:
    """Patterns are this program's own; case is ignored as FAT does (Microsoft FAT32 specification 1.03, long names)."""
    assert belongs(path, ("SLATE/**", "HIGH.SCO")) is fits


@pytest.mark.parametrize(
    ("path", "litter"),
    [
        ("._A.TXT", True),
        ("X/.DS_Store", True),
        ("System Volume Information/x", True),
        (".Trash-1000/info/A.TXT.trashinfo", True),
        ("$RECYCLE.BIN/desktop.ini", True),
        ("$Recycle.Bin/S-1-5/x", True),
        ("FOUND.000/FILE0000.CHK", True),
        ("LOST.DIR/17", True),
        (".TemporaryItems/x", True),
        (".apdisk", True),
        ("X/Desktop.ini", True),
        ("RECYCLER", True),
        (".A", False),
        ("A._", False),
        ("FOUND.TXT", False),
        ("FOUND.0000", False),
        (".Trash", False),
        ("DESKTOP.INI.TXT", False),
    ],
)
def test_what_desktops_leave_behind(path: str, litter: bool) -> None:
    """.Trash-1000: the Trash specification of freedesktop.org, 1.0; the other names are from memory."""
    assert is_litter(path) is litter
