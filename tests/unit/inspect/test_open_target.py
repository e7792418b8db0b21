"""What a person names as a card: plain files, disks and folders are opened, everything else is refused at once."""

from __future__ import annotations

import os
import socket
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.commands.adopt import Adopt
from pipeline.commands.base import OwnCommand
from pipeline.commands.diff import Diff
from pipeline.commands.look import LookAt
from pipeline.commands.verify import Verify
from tests.support.cli import within
from tests.support.small import small_project

COMMANDS: dict[str, tuple[type[OwnCommand], tuple[str, ...]]] = {
    "look": (LookAt, ()),
    "verify": (Verify, ()),
    "diff": (Diff, ("zeros.img",)),
    "adopt": (Adopt, ("oak",)),
}

ZEROS = (
    "zeros.img: {}the first sector holds only zeros; expected a partition table or a FAT boot sector\n"
    "  hint: name an image, a disk or a folder that holds a card\n"
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return small_project(tmp_path, {"zeros.img": bytes(512)})


def make_socket(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as made:
        made.bind(str(path))


def link_to_a_device(path: Path) -> None:
    path.symlink_to("/dev/zero")


@pytest.mark.parametrize("name", COMMANDS)
@pytest.mark.parametrize(
    ("make", "kind", "hint"),
    [
        (os.mkfifo, "a pipe", "write what comes from it to a file, and name that"),
        (make_socket, "a socket", "name an image or a disk"),
        (link_to_a_device, "a character device", "name an image or a disk"),
    ],
)
def test_what_is_no_file_and_no_disk_is_refused_at_once(
    name: str, make: Callable[[Path], None], kind: str, hint: str, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A pipe without a writer would be waited for, so a failing test hangs rather than fails."""
    monkeypatch.chdir(folder)
    make(Path("odd"))
    command, more = COMMANDS[name]
    ran = within(folder, command, "odd", *more)

    assert (ran.code, ran.out) == (3, "")
    assert ran.err == f"odd: is {kind}; expected an image file or a disk (block device)\n  hint: {hint}\n"


def test_a_sector_of_zeros_is_said_to_be_that(folder: Path) -> None:
    ran = within(folder, LookAt, "zeros.img")
    assert (ran.code, ran.out) == (3, "")
    assert ran.err == ZEROS.format("")


def test_a_card_without_a_volume_and_without_a_record_is_verified_by_name(folder: Path) -> None:
    ran = within(folder, Verify, "zeros.img")
    assert (ran.code, ran.out) == (3, "")
    assert ran.err == (
        "zeros.img: no record lies beside it, and the first sector holds only zeros; "
        "expected a partition table or a FAT boot sector\n"
        "  hint: if a built card was written to it, name the card: doit verify PATH CARD\n"
    )
