"""``doit cards`` on a loop device, named on the command line since it is not removable."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.strangers.tools import require
from tests.support import small
from tests.support.cli import doit, own_command
from tests.support.needs import missing
from tests.unit.commands.test_publish import WITH_RIGHTS

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="disks are listed on Linux only")


@pytest.fixture
def project(tmp_path: Path) -> Path:
    folder = small.small_project(tmp_path, WITH_RIGHTS)
    assert doit(folder, "sheet:desk").code == 0
    return folder


@pytest.fixture
def device(project: Path) -> Iterator[str]:
    behind = project / "reader.bin"
    behind.write_bytes(bytes(16 << 20))
    words = [require("losetup"), "-f", "--show", str(behind)]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    if done.returncode:
        missing(f"no loop device: {done.stderr.strip()}")
    yield done.stdout.strip()
    subprocess.run([require("losetup"), "-d", done.stdout.strip()], check=True)


def test_a_card_is_followed_from_empty_to_older(project: Path, device: str) -> None:
    start = f"{device}: 16.8 MB, serial {project}/reader.bin: "

    def told() -> str:
        ran = own_command(project, "cards", device)
        assert (ran.code, ran.err) == (0, "")
        assert ran.out.startswith(start)
        return ran.out.removeprefix(start).removesuffix("\n")

    assert told() == "empty"
    write = ("write", "desk", device, "--yes", "--serial", f"{project}/reader.bin")
    assert own_command(project, *write).code == 0
    assert told() == "desk, version 1, as built now"
    board = str(WITH_RIGHTS["inputs/boards/oak.toml"])
    for value, shown in (("2", "as built earlier"), ("1", "as built now")):  # tables and folders are the same
        (project / "inputs/boards/oak.toml").write_text(board.replace('regional = "1"', f'regional = "{value}"'))
        assert doit(project, "sheet:desk").code == 0
        assert told() == f"desk, version 1, {shown}"
    assert own_command(project, "publish", "desk").code == 0
    (project / "inputs/boards/oak.toml").write_text(board.replace('regional = "1"', f'regional = "{"2" * 500}"'))
    assert doit(project, "record:desk").code == 0
    assert told() == "desk, version 1, as published"
    card = project / "inputs/cards/desk.toml"
    card.write_text(small.CARD.replace('version = "1"', 'version = "2"'))
    assert doit(project, "record:desk").code == 0
    assert own_command(project, *write).code == 0
    card.write_text(small.CARD.replace('version = "1"', 'version = "3"').replace("DESK", "DESK3"))
    assert doit(project, "record:desk").code == 0
    assert told() == "desk, version 2, as built earlier"
    at = json.loads((project / "dist/desk-1/record.json").read_bytes())["volume"]["first-sector"] * 512
    with Path(device).open("r+b") as disk:
        disk.seek(at + 43)
        disk.write(b"MINE")
    assert told() == "desk, version 2, as built earlier; used since, every file in its place"
    subprocess.run([require("mcopy"), "-i", f"{device}@@{at}", str(card), "::/NOTE.TXT"], check=True)
    assert told() == "desk, version 2, as built earlier; used since, every file in its place"
    subprocess.run([require("mdel"), "-i", f"{device}@@{at}", "::/BENCH.SET"], check=True)
    assert told() == "desk, changed since or of a build not known here; doit verify says what differs"
    with Path(device).open("r+b") as disk:
        disk.write(bytes(4096))
    assert told() == "desk, half written: the card is not valid until a write completes"


def test_the_same_as_json(project: Path, device: str) -> None:
    document = json.loads(own_command(project, "cards", "--json", device).out)
    assert document == {
        "cardkiln-cards": 1,
        "devices": [
            {
                "device": device, "model": "", "serial": f"{project}/reader.bin", "size": 16 << 20, "label": "",
                "in-use": [], "on-it": "empty", "build": "", "card": "", "version": "",
            }
        ],
    }  # fmt: skip


def test_a_published_folder_that_went_bad_is_not_known(project: Path, device: str) -> None:
    for number, text in enumerate(["{", "{}", "[]", '{"card": 3}']):
        folder = project / f"dist/desk-{number}"
        folder.mkdir(parents=True)
        shutil.copyfile(project / "build/cards/desk/plan.json", folder / "plan.json")
        (folder / "record.json").write_text(text)
    ran = own_command(project, "cards", device)
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.endswith(": empty\n")


def test_what_is_no_disk_is_told(project: Path) -> None:
    ran = own_command(project, "cards", "/dev/null")
    assert (ran.code, ran.out) == (3, "")
    assert ran.err == "/dev/null: is not a disk of this machine\n  hint: doit cards without a name shows them\n"
