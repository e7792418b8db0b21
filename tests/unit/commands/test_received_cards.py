"""Played cards and received versions: ``doit update`` and ``doit write`` keep what is the user's, without manifests."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.commands.keep import Keep
from pipeline.commands.update import UpdateCard
from pipeline.commands.verify import Verify
from pipeline.commands.versions import Versions
from pipeline.commands.write import Write
from tests.strangers.tools import require
from tests.strangers.with_mtools import settings
from tests.support import small
from tests.support.building import build_card_in
from tests.support.cli import Ran, digests, sha256, within, write_tree
from tests.unit.commands.test_delta import copy_of_card
from tests.unit.commands.test_publish import RIGHTS, built, publish, receive
from tests.unit.commands.test_write import Loop, behind, loop

__all__ = ["loop"]

linux = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="disks are written on Linux only")

KEEP = 'keep = ["SLATE/**"]\n'


@pytest.fixture(scope="module")
def dist(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Versions 1 and 2 of a card that keeps files, as they were published."""
    folder = built(tmp_path_factory.mktemp("publisher"), {"inputs/cards/desk.toml": KEEP + small.CARD})
    assert publish(folder).code == 0
    card = KEEP + small.CARD.replace('version = "1"', 'version = "2"')
    board = small.BOARD.replace('regional = "1"', 'regional = "2"') + RIGHTS
    new = {"inputs/cards/desk.toml": card, "inputs/boards/oak.toml": board, "inputs/files/system/A/NEW.TXT": "new"}
    write_tree(folder, dict(new))
    build_card_in(folder)
    assert publish(folder, "--since", "1").code == 0
    return folder / "dist"


@pytest.fixture
def receiver(dist: Path, tmp_path: Path) -> Path:
    """A folder without manifests in which both versions were received."""
    folder = tmp_path / "receiver"
    folder.mkdir()
    for name in ("desk-1", "desk-2-since-1"):
        assert receive(folder, str(dist / name)).code == 0
    return folder


def played(image: Path, folder: Path, scores: dict[str, bytes]) -> Path:
    """Return a copy of an image on which files below SLATE were made."""
    copy = Path(shutil.copy(image, folder / "played.img"))
    where = f"{copy}@@{512 * int.from_bytes(copy.read_bytes()[454:458], 'little')}"
    subprocess.run([require("mmd"), "-i", where, "::/SLATE"], env=settings(folder), check=True)
    for name, data in scores.items():
        (folder / name).write_bytes(data)
        words = [require("mcopy"), "-i", where, str(folder / name), f"::/SLATE/{name}"]
        subprocess.run(words, env=settings(folder), check=True)
    return copy


def test_a_mounted_card_is_updated_from_a_received_version_and_keeps_what_is_the_users(
    receiver: Path, tmp_path: Path
) -> None:
    card = copy_of_card(receiver / "build/received/desk-1/card.img", tmp_path / "card")
    write_tree(card, {"SLATE/ONE.DAT": b"level 3"})
    ran = within(receiver, UpdateCard, "desk@2", str(card))
    assert ran == Ran(
        0,
        "added A/NEW.TXT\nreplaced BENCH.SET\nyours: 1 file left unchanged\n"
        "2 files written, each read back, possibly from the system's cache; 3 are as built\n",
        "",
    )
    record = json.loads((receiver / "build/received/desk-2/record.json").read_bytes())
    assert digests(card) == {
        **{file["path"]: file["sha256"] for file in record["files"]},
        "SLATE/ONE.DAT": small.sha(b"level 3"),
    }
    assert within(receiver, UpdateCard, "build/received/desk-2", str(card)).out.startswith("yours: 1 file left")
    assert not (receiver / "inputs").exists()


def test_a_kept_file_that_was_deleted_on_the_card_does_not_come_back(tmp_path: Path) -> None:
    files: dict[str, str | bytes] = {
        "inputs/cards/desk.toml": KEEP + small.CARD,
        "inputs/kept/desk/SLATE/ONE.DAT": b"level 3",
        "inputs/kept/desk/SLATE/TWO.DAT": b"level 4",
    }
    folder = built(tmp_path / "project", files)
    card = copy_of_card(folder / "build/cards/desk/card.img", tmp_path / "card")
    (card / "SLATE/ONE.DAT").unlink()
    ran = within(folder, UpdateCard, "desk", str(card))
    assert ran == Ran(
        0,
        "yours: 1 file left unchanged\n"
        "yours, not on the card: SLATE/ONE.DAT\n--restore writes what is not on the card\n"
        "0 files written, each read back, possibly from the system's cache; 4 are as built\n",
        "",
    )
    assert not (card / "SLATE/ONE.DAT").exists()
    document = json.loads(within(folder, UpdateCard, "desk", str(card), "--json", "--list").out)
    assert (document["yours"], document["yours-absent"]) == (["SLATE/TWO.DAT"], ["SLATE/ONE.DAT"])
    ran = within(folder, UpdateCard, "desk", str(card), "--restore")
    assert ran.out.startswith("added SLATE/ONE.DAT\nyours: 1 file left unchanged\n1 file written")
    assert (card / "SLATE/ONE.DAT").read_bytes() == b"level 3"


@linux
def test_a_played_card_is_written_with_a_received_version_and_keeps_what_is_the_users(
    receiver: Path, tmp_path: Path, loop: Loop
) -> None:
    card = played(receiver / "build/received/desk-1/card.img", tmp_path, {"ONE.DAT": b"level 3", "TWO.DAT": b"9000"})
    device = loop(data=card.read_bytes() + bytes(4096))
    words = ["--yes", "--serial", str(behind(device))]
    before = sha256(behind(device))
    ran = within(receiver, Write, "desk@2", device, *words)
    assert ran == Ran(
        1, "",
        f"{device}: 2 files of yours on it would be lost; now copied to inputs/kept/desk\n"
        "  hint: run this once more: it puts them onto the image first\n",
    )  # fmt: skip
    assert sha256(behind(device)) == before
    ran = within(receiver, Write, "desk@2", device, *words)
    assert (ran.code, ran.err) == (0, "")
    record = json.loads((receiver / "build/received/desk-2/record.json").read_bytes())
    written = tmp_path / "written.img"
    written.write_bytes(behind(device).read_bytes())
    assert digests(copy_of_card(written, tmp_path / "files")) == {
        **{file["path"]: file["sha256"] for file in record["files"]},
        "SLATE/ONE.DAT": small.sha(b"level 3"),
        "SLATE/TWO.DAT": small.sha(b"9000"),
    }
    judged = within(receiver, Verify, str(written), "--json")
    assert (judged.code, json.loads(judged.out)["verdict"]) == (0, "good")
    assert within(receiver, Write, "desk@2", device, *words).out.startswith(f"{device}: 0 bytes of ")
    kept = receiver / "build/received/desk-2/with-kept"
    assert sha256(kept / "card.img") == json.loads((kept / "record.json").read_bytes())["image"]["sha256"]
    assert sha256(receiver / "build/received/desk-2/card.img") == record["image"]["sha256"]


@linux
def test_a_card_without_anything_of_the_user_gets_the_image_as_published(receiver: Path, loop: Loop) -> None:
    device = loop()
    ran = within(receiver, Write, "desk@2", device, "--yes", "--serial", str(behind(device)))
    assert (ran.code, ran.err) == (0, "")
    image = (receiver / "build/received/desk-2/card.img").read_bytes()
    assert behind(device).read_bytes().startswith(image.rstrip(b"\0"))
    assert not (receiver / "build/received/desk-2/with-kept").exists()


def test_what_is_the_users_is_copied_by_the_record_of_a_received_version(receiver: Path, tmp_path: Path) -> None:
    card = played(receiver / "build/received/desk-1/card.img", tmp_path, {"ONE.DAT": b"level 3"})
    ran = within(receiver, Keep, "desk@1", str(card))
    assert ran == Ran(0, "copied SLATE/ONE.DAT\n1 file copied to inputs/kept/desk, 0 known already\n", "")
    assert (receiver / "inputs/kept/desk/SLATE/ONE.DAT").read_bytes() == b"level 3"


def test_files_that_do_not_fit_are_told(receiver: Path, tmp_path: Path) -> None:
    write_tree(receiver, {"inputs/kept/desk/SLATE/ONE.DAT": bytes(17 << 20)})
    (tmp_path / "card").mkdir()
    ran = within(receiver, UpdateCard, "desk@2", str(tmp_path / "card"))
    assert (ran.code, ran.out) == (1, "")
    assert ran.err.startswith(
        f"{receiver}/build/received/desk-2: the files of yours do not fit onto it: files and folders take "
    ) or ran.err.startswith("build/received/desk-2: the files of yours do not fit onto it: files and folders take ")


@pytest.mark.parametrize(
    ("word", "code", "told"),
    [
        ("desk@3", 2, 'desk@3: found "3", expected a version of desk: 2 and 1\n'),
        ("hall@1", 2, 'hall@1: no version of "hall" was published or received\n'),
        ("build/received", 3, "build/received: is not a version that was received here\n"),
        ("desk-9/card.img", 3, "desk-9/card.img: is not a version that was received here\n"),
    ],
)
@pytest.mark.parametrize("command", [UpdateCard, Write, Keep])
def test_what_was_not_received_is_told(
    receiver: Path, tmp_path: Path, command: type, word: str, code: int, told: str
) -> None:
    (tmp_path / "card").mkdir()
    ran = within(receiver, command, word, str(tmp_path / "card"))
    assert (ran.code, ran.out) == (code, "")
    assert ran.err.startswith(told)


def test_a_version_that_is_only_published_is_to_be_received_first(dist: Path, tmp_path: Path) -> None:
    shutil.copytree(dist, tmp_path / "dist")
    (tmp_path / "card").mkdir()
    ran = within(tmp_path, UpdateCard, "desk@2", str(tmp_path / "card"))
    assert ran == Ran(3, "", "desk@2: is published here, and not unpacked\n  hint: doit receive dist/desk-2 does it\n")
    assert within(tmp_path, Versions).code == 0


@pytest.mark.parametrize("change", [lambda path: path.write_bytes(bytes(100)), lambda path: path.unlink()])
@pytest.mark.parametrize("name", ["card.img", "plan.json", "record.json"])
def test_a_received_version_that_went_bad_is_not_used(
    receiver: Path, tmp_path: Path, name: str, change: Callable[[Path], object]
) -> None:
    card = copy_of_card(receiver / "build/received/desk-1/card.img", tmp_path / "card")
    before = digests(card)
    change(receiver / "build/received/desk-2" / name)
    ran = within(receiver, UpdateCard, "desk@2", str(card))
    assert ran.code in (2, 3)
    assert ran.out == ""
    assert "Traceback" not in ran.err
    assert digests(card) == before
