"""``doit write`` on loop devices, which the kernel treats as it does cards."""

from __future__ import annotations

import csv
import hashlib
import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from threading import Event

import pytest

from pipeline.commands import write as commands
from pipeline.inspect import opened_build
from pipeline.inspect.opened_build import OpenedBuild
from pipeline.media import write as stage
from pipeline.model.text import shown
from pipeline.workspace.lock import locked
from pipeline.workspace.stamp import read_stamp, write_stamp
from tests.strangers.tools import require
from tests.support import small
from tests.support.building import build_card_in
from tests.support.cli import BYTECODE, Ran, doit, own_command, sha256, within
from tests.support.needs import missing

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="disks are written on Linux only")
IMAGE_SIZE = 16 << 20
BLOCK = 4096

PLAYED = '[[files]]\npath = "SLATE/ONE.DAT"\nfrom = "files/one.dat"\n'
"""Stands for a saved game: the card of a build that has one."""

Loop = Callable[..., str]


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = small.small_project(tmp_path_factory.mktemp("built"))
    assert doit(folder, "record:desk").code == 0
    return folder


@pytest.fixture
def loop(tmp_path: Path) -> Iterator[Loop]:
    """Gives loop devices, each with a file of its own, full of noise, behind it."""
    made = list[str]()

    def give(size: int = IMAGE_SIZE + BLOCK, *options: str, data: bytes | None = None) -> str:
        behind = tmp_path / f"card-{len(made)}.bin"
        behind.write_bytes(random.Random(len(made)).randbytes(size) if data is None else data)
        words = [require("losetup"), "-f", "--show", *options, str(behind)]
        done = subprocess.run(words, capture_output=True, text=True, check=False)
        if done.returncode:
            missing(f"no loop device: {done.stderr.strip()}")
        made.append(done.stdout.strip())
        return made[-1]

    yield give
    for device in made:
        subprocess.run([require("losetup"), "-d", device], check=True)


def behind(device: str) -> Path:
    return Path(Path("/sys/block", Path(device).name, "loop/backing_file").read_text().strip())


def write(folder: Path, device: str, *more: str) -> Ran:
    return own_command(folder, "write", "desk", device, "--yes", "--serial", str(behind(device)), *more)


def used_bytes(folder: Path) -> bytes:
    """Return the image up to the last byte that is not zero; after it there is only free space."""
    return (folder / "build/cards/desk/card.img").read_bytes().rstrip(b"\0")


def kernel_wrote(device: str) -> int:
    """Return bytes written so far, as the kernel counts them (block/stat.rst: field 7, sectors of 512)."""
    return int(Path("/sys/block", Path(device).name, "stat").read_text().split()[6]) * 512


def test_a_card_is_written_and_proven(built: Path, loop: Loop) -> None:
    device = loop()
    ran = write(built, device)
    assert (ran.code, ran.err) == (0, "")
    assert ran.out == (f"{device}: 124 KiB of 124 KiB written; verified uncached; free space unchanged\n")
    assert behind(device).read_bytes().startswith(used_bytes(built))


def test_a_second_time_nothing_is_written(built: Path, loop: Loop) -> None:
    device = loop()
    write(built, device)
    before = kernel_wrote(device)
    assert write(built, device).out.startswith(f"{device}: 0 bytes of 124 KiB written; ")
    assert kernel_wrote(device) == before


def test_an_update_writes_only_blocks_that_differ(built: Path, loop: Loop, tmp_path: Path) -> None:
    """Counted by the kernel. The first block is written twice: wiped at first, and put back last."""
    device = loop()
    write(built, device)
    old, before = behind(device).read_bytes(), kernel_wrote(device)
    newer = small.small_project(
        tmp_path / "newer", {"inputs/boards/oak.toml": small.BOARD.replace('regional = "1"', 'regional = "2"')}
    )
    assert doit(newer, "record:desk").code == 0
    assert write(newer, device).code == 0
    new = behind(device).read_bytes()
    assert new.startswith(used_bytes(newer))
    differ = sum(old[at : at + BLOCK] != new[at : at + BLOCK] for at in range(BLOCK, len(new), BLOCK))
    assert differ > 0
    assert kernel_wrote(device) - before == (differ + 2) * BLOCK


def test_what_is_the_users_is_copied_before_a_card_is_written_over(built: Path, loop: Loop, tmp_path: Path) -> None:
    keeping: dict[str, str | bytes] = {
        "inputs/cards/desk.toml": 'keep = ["SLATE/**"]\n' + small.CARD,
        "inputs/files/one.dat": "level 3",
    }
    folder = small.small_project(tmp_path / "keeping", keeping)
    assert doit(folder, "record:desk").code == 0
    used = small.small_project(
        tmp_path / "used",
        {**keeping, "inputs/cards/desk.toml": small.CARD + PLAYED, "inputs/boards/oak.toml": small.BOARD},
    )
    assert doit(used, "record:desk").code == 0
    device = loop()
    assert write(used, device).code == 0
    before = sha256(behind(device))
    ran = write(folder, device)
    assert (ran.code, ran.out) == (1, "")
    assert ran.err == (
        f"{device}: 1 file of yours on it would be lost; now copied to inputs/kept/desk\n"
        "  hint: build with them (doit sheet:desk), then write\n"
    )
    assert sha256(behind(device)) == before
    assert doit(folder, "record:desk").code == 0
    assert write(folder, device).code == 0
    assert (folder / "inputs/kept/desk/SLATE/ONE.DAT").read_bytes() == b"level 3"
    assert b"level 3" in behind(device).read_bytes()


def test_nobody_is_taken_to_agree(built: Path, loop: Loop) -> None:
    device = loop()
    before = sha256(behind(device))
    for words in ((), ("--yes",), ("--serial", str(behind(device)))):
        ran = own_command(built, "write", "desk", device, *words)
        assert (ran.code, ran.out) == (4, "")
        assert ran.err == (
            f"{device}: no terminal to ask on; expected --serial and --yes with one device\n"
            "  hint: or run it in a terminal\n"
        )
    ran = own_command(built, "write", "desk", device, "--yes", "--serial", "another")
    assert ran.code == 4
    assert ran.err == f"{device}: its serial is {behind(device)}, expected another\n  hint: it is another card\n"
    assert sha256(behind(device)) == before


def typing(folder: Path, devices: list[str], typed: str) -> Ran:
    """Run the command on a terminal on which a person types."""
    leader, follower = pytest.importorskip("pty").openpty()
    words = [sys.executable, "-m", "doit", "write", "desk", *devices]
    running = subprocess.Popen(
        words, cwd=folder, env={**os.environ, **BYTECODE}, stdin=follower, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    os.write(leader, typed.encode())
    out, err = running.communicate(timeout=60)
    os.close(leader)
    os.close(follower)
    return Ran(running.returncode, out, err)


def test_a_person_agrees_by_typing_model_and_size(built: Path, loop: Loop) -> None:
    device = loop()
    before = sha256(behind(device))
    digest = sha256(built / "build/cards/desk/card.img")
    asked = (
        f"desk, version 1: image SHA-256 {digest}\n"
        f"{device}: loop, 16.8 MB. Everything on it is lost.\nTo agree, type: loop 16.8 MB\n> "
    )
    refused = typing(built, [device], "yes\n")
    assert refused == Ran(4, asked, f"{device}: you did not agree; nothing was written\n")
    assert sha256(behind(device)) == before
    left = typing(built, [device], "\x04")  # Ctrl-D ends the input of a terminal (POSIX, 11.1.9)
    assert left == Ran(4, f"{asked}\n", refused.err)
    agreed = typing(built, [device], "loop 16.8 MB\n")
    assert (agreed.code, agreed.err) == (0, "")
    assert agreed.out.startswith(f"{asked}{device}: 124 KiB of 124 KiB written; ")


DESK_2 = small.BOARD.replace('regional = "1"', 'regional = "2"')
DESK_3 = small.BOARD.replace('regional = "1"', 'regional = "3"')


def answering(monkeypatch: pytest.MonkeyPatch, *answers: str | Callable[[], str]) -> list[str]:
    """Have a person answer each question, some after they did something else; return the questions."""
    asked, left = list[str](), list(answers)

    def typed(question: str) -> str:
        asked.append(question)
        answer = left.pop(0)
        return answer if isinstance(answer, str) else answer()

    monkeypatch.setattr("builtins.input", typed)
    monkeypatch.setattr(sys, "stdin", Terminal())
    return asked


class Terminal:
    """Standard input on which a person types."""

    def isatty(self) -> bool:
        return True


def test_what_was_asked_about_is_written_though_it_is_built_again_twice_meanwhile(
    tmp_path: Path, loop: Loop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second build patches the image that the first one replaced, unless somebody still reads it."""
    folder, device = small.small_project(tmp_path / "project"), loop()
    build_card_in(folder)
    (folder / "inputs/boards/oak.toml").write_text(DESK_2)
    build_card_in(folder)
    image = (folder / "build/cards/desk/card.img").read_bytes()

    def build_twice() -> str:
        for board in (DESK_3, small.BOARD):
            (folder / "inputs/boards/oak.toml").write_text(board)
            build_card_in(folder)
        return "loop 16.8 MB"

    answering(monkeypatch, build_twice)
    ran = within(folder, commands.Write, "desk", device, "--log", str(tmp_path / "log"))
    assert (ran.code, ran.err) == (0, "")
    digest = hashlib.sha256(image).hexdigest()
    assert ran.out.startswith(f"desk, version 1: image SHA-256 {digest}\n")
    assert sha256(folder / "build/cards/desk/card.img") != digest
    assert behind(device).read_bytes().startswith(image.rstrip(b"\0"))
    assert json.loads((tmp_path / "log.json").read_text())["devices"][0]["image-sha256"] == digest


def test_an_image_that_is_changed_in_place_meanwhile_is_no_success(
    tmp_path: Path, loop: Loop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As when it is mounted, and something writes to it."""
    folder, device = small.small_project(tmp_path / "project"), loop()
    build_card_in(folder)
    image = folder / "build/cards/desk/card.img"

    def change() -> str:
        with image.open("r+b") as file:
            file.seek(-1, os.SEEK_END)
            file.write(b"x")
        return "loop 16.8 MB"

    answering(monkeypatch, change)
    ran = within(folder, commands.Write, "desk", device)
    assert ran.code == 3
    assert ran.err == (
        "build/cards/desk/card.img: was changed while it was read; the result is not valid\n"
        "  hint: doit sheet:desk, then start again\n"
    )


def test_an_image_of_another_build_is_refused_before_anything_is_asked(tmp_path: Path, loop: Loop) -> None:
    """The stamp fits, as after a copy that kept all times; only the bytes tell."""
    folder, device = small.small_project(tmp_path / "project"), loop()
    build_card_in(folder)
    cards = folder / "build/cards/desk"
    with (cards / "card.img").open("r+b") as file:
        file.seek(-1, os.SEEK_END)
        file.write(b"x")
    stamp = folder / "build/state/image/desk.json"
    made = read_stamp(stamp)
    write_stamp(
        stamp, made.inputs, {"card.img": (cards / "card.img", made.outputs["card.img"].sha256)}, facts=made.facts
    )
    before = sha256(behind(device))
    ran = within(folder, commands.Write, "desk", device, "--yes", "--serial", str(behind(device)))
    assert (ran.code, ran.out) == (3, "")
    assert ran.err == (
        f"build/cards/desk: card.img is not the one of record.json: its SHA-256 is {sha256(cards / 'card.img')}\n"
        "  hint: doit sheet:desk, then start again\n"
    )
    assert sha256(behind(device)) == before


def test_nothing_is_written_while_a_build_is_at_work(built: Path, loop: Loop, monkeypatch: pytest.MonkeyPatch) -> None:
    device = loop()
    monkeypatch.setattr(opened_build, "WAIT", 0.05)
    with locked(built / "build"):
        ran = within(built, commands.Write, "desk", device, "--yes", "--serial", str(behind(device)))
    assert (ran.code, ran.out) == (3, "")
    assert ran.err == "another run is working in build/\n  hint: wait until it has ended\n"


def test_a_card_exchanged_for_another_of_the_same_size_is_asked_about_anew(
    built: Path, loop: Loop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The reader, its serial and the size stay; the content tells. The second time it is what was shown."""
    device = loop()

    def exchange() -> str:
        behind(device).write_bytes(bytes(IMAGE_SIZE + BLOCK))
        return "loop 16.8 MB"

    asked = answering(monkeypatch, exchange, "no")
    ran = within(built, commands.Write, "desk", device)
    assert (ran.code, len(asked)) == (4, 2)
    digest = sha256(built / "build/cards/desk/card.img")
    shown = f"desk, version 1: image SHA-256 {digest}\n{device}: loop, 16.8 MB. Everything on it is lost.\n"
    assert ran.out == (
        f"{shown}{device}: the card was exchanged or changed while you were asked; nothing was written. "
        f"Look at the card, and answer once more.\n{shown}"
    )
    assert ran.err == f"{device}: you did not agree; nothing was written\n"
    assert not any(behind(device).read_bytes())
    answering(monkeypatch, exchange, "loop 16.8 MB")
    behind(device).write_bytes(b"other" * 5000 + bytes(IMAGE_SIZE + BLOCK - 25000))
    ran = within(built, commands.Write, "desk", device)
    assert (ran.code, ran.err) == (0, "")
    assert behind(device).read_bytes().startswith(used_bytes(built))


def test_a_card_exchanged_after_the_answer_is_refused(built: Path, loop: Loop, monkeypatch: pytest.MonkeyPatch) -> None:
    device = loop()
    whole = stage.write

    def late(card: OpenedBuild, target: stage.Target, say: Callable[[int], None]) -> stage.DiskResult:
        with behind(device).open("r+b") as file:
            file.write(b"another card")
        return whole(card, target, say)

    monkeypatch.setattr(stage, "write", late)
    ran = within(built, commands.Write, "desk", device, "--yes", "--serial", str(behind(device)))
    assert (ran.code, ran.out) == (4, f"{device}: not good\n")
    assert ran.err == (f"{device}: holds another card than a moment ago; nothing was written\n  hint: start again\n")
    assert behind(device).read_bytes().startswith(b"another card")


def test_several_cards_are_written_at_once_each_with_its_own_line(built: Path, loop: Loop) -> None:
    devices = [loop(), loop(), loop()]
    ran = typing(built, devices, "loop 16.8 MB\n" * 3)
    assert (ran.code, ran.err) == (0, "")
    assert [line.split(": ")[0].removeprefix("> ") for line in ran.out.splitlines()[-3:]] == devices
    assert all(behind(device).read_bytes().startswith(used_bytes(built)) for device in devices)


def test_the_disk_of_the_system_is_refused(built: Path) -> None:
    root = subprocess.run(
        [require("findmnt"), "-n", "-o", "SOURCE", "/"], capture_output=True, text=True, check=True
    ).stdout.strip()
    if not root.startswith("/dev/"):
        pytest.skip(f"the root is no disk here: {root}")
    ran = own_command(built, "write", "desk", root, "--yes", "--serial", "x")
    assert (ran.code, ran.out) == (4, "")
    assert root in ran.err


def test_a_mounted_disk_is_refused(built: Path, loop: Loop, tmp_path: Path) -> None:
    """In a mount namespace of its own; lsblk and open(2) both see it there."""
    device = loop()
    subprocess.run([require("mkfs.ext2"), "-q", device], check=True, capture_output=True)
    before = sha256(behind(device))
    command = f"mount -o ro {device} {tmp_path} && exec {sys.executable} -m doit write desk {device} --yes --serial x"
    ran = subprocess.run(
        [require("unshare"), "-m", "sh", "-c", command],
        cwd=built, env={**os.environ, **BYTECODE}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    if "mount:" in ran.stderr or "unshare:" in ran.stderr:
        missing(f"nothing can be mounted here: {ran.stderr}")
    assert ran.returncode == 4
    assert ran.stderr == (
        f"{device}: {device} is mounted at {tmp_path}\n"
        f"  hint: if this is the card: unmount it first (umount {device})\n"
    )
    assert sha256(behind(device)) == before


def test_a_disk_held_by_something_is_refused_by_the_kernel(built: Path, loop: Loop) -> None:
    """As if it were mounted between our look and our opening."""
    device = loop()
    holder = os.open(device, os.O_RDONLY | os.O_EXCL)
    try:
        ran = write(built, device)
    finally:
        os.close(holder)
    assert ran.code == 4
    assert ran.err == f"{device}: is in use by something\n  hint: unmount what is on it\n"


def test_a_read_only_or_too_small_disk_is_refused(built: Path, loop: Loop) -> None:
    small_one, locked = loop(IMAGE_SIZE - BLOCK), loop(IMAGE_SIZE, "-r")
    ran = own_command(built, "write", "desk", small_one, locked)
    assert (ran.code, ran.out) == (4, "")
    assert ran.err == (
        f"{small_one}: it holds 16,773,120 bytes, the image has 16,777,216\n"
        "  hint: take a larger card, or make the volume smaller (volume.size)\n"
        f"{locked}: it is read-only\n  hint: move the switch at the side of the card\n"
    )


def test_what_is_no_disk_is_refused(built: Path, tmp_path: Path) -> None:
    ran = own_command(built, "write", "desk", "/dev/null", str(tmp_path))
    assert ran.code == 4
    assert ran.err == (
        "/dev/null: is not a disk of this machine\n  hint: doit cards shows them\n"
        f"{tmp_path}: is not a disk of this machine\n  hint: doit cards shows them\n"
    )


def test_there_is_no_default_device(built: Path) -> None:
    ran = own_command(built, "write", "desk")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err == ("expected CARD DEVICE [DEVICE ...]\n  hint: doit cards shows the devices; there is no default\n")


def test_a_batch_is_recorded_in_both_forms(built: Path, loop: Loop, tmp_path: Path) -> None:
    devices = [loop(), loop()]
    for device in devices:
        assert write(built, device, "--log", str(tmp_path / "batch")).code == 0
    known = json.loads((tmp_path / "batch.json").read_text())["devices"]
    with (tmp_path / "batch.csv").open(newline="") as table:
        rows = list(csv.DictReader(table))
    assert [{key: str(value) for key, value in one.items()} for one in known] == rows
    image = sha256(built / "build/cards/desk/card.img")
    assert [(row["device"], row["serial"], row["image-sha256"], row["result"]) for row in rows] == [
        (device, str(behind(device)), image, "good") for device in devices
    ]


@pytest.mark.parametrize("model", ["=1+2", "+1", "-1", "@SUM(1)", "\t=1", "\r=1", "Card", "'=1", "8=8"])
def test_a_spreadsheet_runs_nothing_of_a_batch_record(tmp_path: Path, model: str) -> None:
    """The marks are common practice for CSV files; after the apostrophe the text is as it was, and JSON has it bare."""
    log = commands.Log(tmp_path / "batch")
    log.add([{name: 5 if name in ("size", "written") else model for name in stage.COLUMNS}])
    with (tmp_path / "batch.csv").open(newline="") as table:
        (row,) = csv.DictReader(table)
    harmless = model in ("Card", "'=1", "8=8")
    assert (row["model"], row["size"]) == (model if harmless else f"'{shown(model)}", "5")
    assert json.loads((tmp_path / "batch.json").read_text())["devices"][0]["model"] == model


@pytest.mark.parametrize("text", ["{", "[]", '{"devices": []}', '{"cardkiln-batch": 1, "devices": [{"a": 1}]}'])
def test_a_file_that_is_no_batch_record_is_told_before_a_card_is_touched(
    built: Path, loop: Loop, tmp_path: Path, text: str
) -> None:
    device = loop()
    before = sha256(behind(device))
    (tmp_path / "batch.json").write_text(text)
    ran = write(built, device, "--log", str(tmp_path / "batch"))
    assert (ran.code, ran.out) == (3, "")
    assert ran.err == (
        f"{tmp_path}/batch.json: is not a batch record; nothing was written\n  hint: name another with --log\n"
    )
    assert (tmp_path / "batch.json").read_text() == text
    assert write(built, device, "--log", str(tmp_path / "none/batch")).err == (
        f"{tmp_path}/none: there is no such folder\n  hint: correct --log\n"
    )
    assert sha256(behind(device)) == before


def test_stopped_by_a_person_it_says_what_became_of_each_card(
    built: Path, loop: Loop, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Ctrl-C comes while the first part is on its way; a wait that is interrupted is what Python makes of it."""
    device = loop()
    monkeypatch.chdir(built)
    started = Event()
    whole = stage.write

    def waiting(card: OpenedBuild, target: stage.Target, say: Callable[[int], None]) -> stage.DiskResult:
        started.wait()
        return whole(card, target, say)

    def interrupted(_: object) -> None:
        raise KeyboardInterrupt

    def stop(event: Event) -> None:
        Event.set(event)
        started.set()

    monkeypatch.setattr(stage, "write", waiting)
    monkeypatch.setattr("concurrent.futures.wait", interrupted)
    monkeypatch.setattr(commands, "Event", lambda: Stopping(stop))
    code = commands.Write().parse_execute(["desk", device, "--yes", "--serial", str(behind(device))])
    out, err = capsys.readouterr()
    assert (code, out) == (130, f"{device}: not good\n")
    assert err == (
        f"{device}: stopped; the card is not valid until a write completes\n"
        "  hint: plug it in again, and run this once more\n"
    )
    with Path(device).open("rb") as disk:
        assert disk.read(BLOCK) in (bytes(BLOCK), used_bytes(built)[:BLOCK])


class Stopping(Event):
    """Says when it is set."""

    def __init__(self, told: Callable[[Event], None]) -> None:
        super().__init__()
        self._told = told

    def set(self) -> None:
        self._told(self)


def kill_and_finish(built: Path, device: str, times: int) -> None:
    rng, words = random.Random(9), [sys.executable, "-m", "doit", "write", "desk", device, "--yes"]
    used = used_bytes(built)
    for number in range(times):
        noise = random.Random(number).randbytes(len(used))
        with Path(device).open("r+b") as disk:
            disk.write(noise)
        running = subprocess.Popen(
            [*words, "--serial", str(behind(device))], cwd=built, env={**os.environ, **BYTECODE},
            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        time.sleep(rng.uniform(0.15, 0.8))
        running.send_signal(signal.SIGKILL)
        running.communicate()
        with Path(device).open("rb") as disk:
            now = disk.read(len(used))
        assert now in (noise, used) or now[:BLOCK] == bytes(BLOCK)
    assert write(built, device).code == 0
    assert behind(device).read_bytes().startswith(used)


def test_killed_at_any_moment_it_does_not_look_valid_and_the_next_run_finishes_it(built: Path, loop: Loop) -> None:
    kill_and_finish(built, loop(), 8)


@pytest.mark.long
def test_killed_two_hundred_times(built: Path, loop: Loop) -> None:
    kill_and_finish(built, loop(), 200)
