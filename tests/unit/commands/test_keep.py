"""``doit keep``: what the user made on a card comes back into the inputs and onto the next build."""

from __future__ import annotations

import json
import os
import subprocess
from pathlib import Path

import pytest

from tests.strangers.tools import require
from tests.strangers.with_mtools import settings
from tests.support import small
from tests.support.cli import Ran, doit, own_command

CARD = 'keep = ["SLATE/**", "HIGH.SCO"]\n' + small.CARD


@pytest.fixture
def project(tmp_path: Path) -> Path:
    folder = small.small_project(tmp_path / "project", {"inputs/cards/desk.toml": CARD})
    assert doit(folder, "record:desk").code == 0
    return folder


@pytest.fixture
def played(project: Path, tmp_path: Path) -> Path:
    """The card after it was used: mtools put saved games onto it."""
    card = tmp_path / "played.img"
    card.write_bytes((project / "build/cards/desk/card.img").read_bytes())
    put(card, tmp_path, "SLATE/one.dat", b"level 3")
    put(card, tmp_path, "HIGH.SCO", b"900")
    put(card, tmp_path, "LETTER.TXT", b"not mine")
    return card


def put(card: Path, tmp_path: Path, path: str, data: bytes) -> None:
    start = int.from_bytes(card.read_bytes()[454:458], "little")
    image, environment = f"{card}@@{start * 512}", settings(tmp_path)
    (tmp_path / "new").write_bytes(data)
    folder = path.rpartition("/")[0]
    if folder:
        subprocess.run([require("mmd"), "-D", "s", "-i", image, f"::/{folder}"], env=environment, check=False)
    copy = [require("mcopy"), "-D", "o", "-o", "-i", image, str(tmp_path / "new"), f"::/{path}"]
    subprocess.run(copy, env=environment, check=True)


def take(card: Path, tmp_path: Path, path: str) -> bytes:
    start = int.from_bytes(card.read_bytes()[454:458], "little")
    copy = [require("mtype"), "-i", f"{card}@@{start * 512}", f"::/{path}"]
    return subprocess.run(copy, env=settings(tmp_path), check=True, capture_output=True).stdout


def keep(project: Path, card: Path, *more: str) -> Ran:
    ran = own_command(project, "keep", "desk", str(card), *more)
    assert (ran.code, ran.err) == (0, "")
    return ran


def test_saved_files_go_into_the_inputs_and_onto_the_next_build(project: Path, played: Path, tmp_path: Path) -> None:
    assert keep(project, played).out == (
        "copied HIGH.SCO\ncopied SLATE/one.dat\n2 files copied to inputs/kept/desk, 0 known already\n"
    )
    assert (project / "inputs/kept/desk/SLATE/one.dat").read_bytes() == b"level 3"
    assert doit(project, "record:desk").code == 0
    image = project / "build/cards/desk/card.img"
    assert take(image, tmp_path, "SLATE/one.dat") == b"level 3"
    assert take(image, tmp_path, "HIGH.SCO") == b"900"
    assert keep(project, played).out == "0 files copied to inputs/kept/desk, 2 known already\n"


def test_what_changed_on_the_card_only_is_taken(project: Path, played: Path, tmp_path: Path) -> None:
    keep(project, played)
    put(played, tmp_path, "HIGH.SCO", b"1000")
    assert keep(project, played).out.startswith("copied HIGH.SCO\n1 file copied")
    assert (project / "inputs/kept/desk/HIGH.SCO").read_bytes() == b"1000"


def test_what_changed_here_only_stays(project: Path, played: Path) -> None:
    keep(project, played)
    (project / "inputs/kept/desk/HIGH.SCO").write_bytes(b"950")
    assert keep(project, played).out == "0 files copied to inputs/kept/desk, 2 known already\n"
    assert (project / "inputs/kept/desk/HIGH.SCO").read_bytes() == b"950"


def test_what_changed_on_both_sides_is_kept_twice(project: Path, played: Path, tmp_path: Path) -> None:
    keep(project, played)
    (project / "inputs/kept/desk/HIGH.SCO").write_bytes(b"950")
    put(played, tmp_path, "HIGH.SCO", b"1000")
    other = f"inputs/kept/desk-both/HIGH.SCO.{small.sha(b'1000')[:8]}"
    document = json.loads(keep(project, played, "--json").out)
    assert document == {
        "cardkiln-keep": 1, "folder": "inputs/kept/desk", "copied": [], "both": [{"path": "HIGH.SCO", "card": other}],
        "same": ["SLATE/one.dat"],
    }  # fmt: skip
    assert (project / "inputs/kept/desk/HIGH.SCO").read_bytes() == b"950"
    assert (project / other).read_bytes() == b"1000"
    again = keep(project, played)
    assert again.out == "0 files copied to inputs/kept/desk, 2 known already\n"


def test_a_file_that_went_from_the_card_stays_in_the_inputs(project: Path, played: Path, tmp_path: Path) -> None:
    keep(project, played)
    keep(project, project / "build/cards/desk/card.img")
    assert (project / "inputs/kept/desk/HIGH.SCO").read_bytes() == b"900"


def test_a_mounted_folder_is_read_likewise(project: Path, tmp_path: Path) -> None:
    (tmp_path / "card/SLATE").mkdir(parents=True)
    (tmp_path / "card/SLATE/one.dat").write_bytes(b"x")
    (tmp_path / "card/SLATE/._one.dat").write_bytes(b"litter")
    assert keep(project, tmp_path / "card").out.startswith("copied SLATE/one.dat\n1 file copied")


@pytest.mark.skipif(os.name != "posix", reason="links and such names are of POSIX")
def test_what_no_card_can_hold_is_left_alone_or_told(project: Path, tmp_path: Path) -> None:
    saves = tmp_path / "card/SLATE"
    saves.mkdir(parents=True)
    (saves / "one.dat").write_bytes(b"x")
    (saves / "link").symlink_to("/etc/passwd")
    (saves / "nowhere").symlink_to("none")
    os.mkfifo(saves / "pipe")
    assert keep(project, tmp_path / "card").out.startswith("copied SLATE/one.dat\n1 file copied")
    (saves / "two.dat").write_bytes(b"y")
    Path(os.fsdecode(bytes(saves) + b"/\xff.dat")).write_bytes(b"x")
    ran = own_command(project, "keep", "desk", str(tmp_path / "card"))
    assert (ran.code, ran.out) == (1, "")
    assert ran.err == (
        "'SLATE/\\udcff.dat': its name is not plain text, and would be none in the inputs\n"
        "  hint: rename it on the card\n"
    )
    assert not (project / "inputs/kept/desk/SLATE/two.dat").exists()


def test_a_run_that_was_killed_before_its_list_was_written_is_no_conflict(
    project: Path, played: Path, tmp_path: Path
) -> None:
    keep(project, played)
    (project / "inputs/kept/desk.sha256").unlink()
    assert keep(project, played).out == "0 files copied to inputs/kept/desk, 2 known already\n"
    put(played, tmp_path, "HIGH.SCO", b"1000")
    assert keep(project, played).out.startswith("copied HIGH.SCO\n1 file copied")


def test_the_users_file_takes_the_place_of_one_the_card_comes_with(project: Path, played: Path, tmp_path: Path) -> None:
    (project / "inputs/files/first.sco").write_bytes(b"0")
    more = '[[files]]\npath = "HIGH.SCO"\nfrom = "files/first.sco"\n'
    (project / "inputs/cards/desk.toml").write_text(CARD + more)
    assert doit(project, "record:desk").code == 0
    assert take(project / "build/cards/desk/card.img", tmp_path, "HIGH.SCO") == b"0"
    keep(project, played)
    assert doit(project, "record:desk").code == 0
    assert take(project / "build/cards/desk/card.img", tmp_path, "HIGH.SCO") == b"900"


def test_a_card_that_keeps_nothing_says_so(project: Path, played: Path) -> None:
    (project / "inputs/cards/desk.toml").write_text(small.CARD)
    ran = own_command(project, "keep", "desk", str(played))
    assert (ran.code, ran.out) == (2, "")
    assert ran.err == (
        'inputs/cards/desk.toml:1:1: keep: card "desk" keeps no files\n'
        '  hint: name the files that are yours in its manifest: keep = ["SLATE/**"]\n'
    )


def test_a_damaged_or_foreign_card_is_told(project: Path, played: Path, tmp_path: Path) -> None:
    (tmp_path / "noise").write_bytes(b"x" * 100_000)
    ran = own_command(project, "keep", "desk", str(tmp_path / "noise"))
    assert (ran.code, ran.out) == (3, "")
    assert ran.err.startswith(f"{tmp_path}/noise: ")
    ran = own_command(project, "keep", "desk", str(tmp_path / "none"))
    assert (ran.code, ran.out) == (3, "")
    assert ran.err == f"{tmp_path}/none: there is no such card\n  hint: name a mounted folder, an image or a disk\n"
