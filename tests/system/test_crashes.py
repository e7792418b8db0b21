"""Whatever call fails and whenever a run is killed: the last good card stays and the next run is whole."""

from __future__ import annotations

import os
import random
import re
import shutil
import signal
import subprocess
import time
from pathlib import Path

import pytest

from pipeline.engine.job import Job, TaskStoppedError
from pipeline.workspace.stamp import Stamp, rom_stamps, stamp_of
from tests.strangers import with_fsck
from tests.strangers.tools import require
from tests.support import small
from tests.support.building import build_card_in, workspace_in
from tests.support.cli import BYTECODE, command, digests, doit, write_tree
from tests.support.fault_injection import FAULTS, Layer, install

SETTINGS = {"one": small.CONFIG, "other": small.CONFIG + b"; changed\r\n"}
"""The board's config file in two versions; a card is changed from one to the other and back."""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    small_card = small.CARD.replace("16 MiB", "4 MiB")
    return small.small_project(tmp_path, {"inputs/cards/desk.toml": small_card})


def edit(folder: Path, version: str) -> None:
    write_tree(folder, {"inputs/files/system/BENCH.SET": SETTINGS[version]})


def run(folder: Path) -> TaskStoppedError | None:
    """Build the card in this process, as a task of doit does."""

    def work() -> str:
        build_card_in(folder)
        return ""

    return Job(workspace_in(folder), "build", work).execute()


def cards_of(folder: Path) -> dict[str, dict[str, str]]:
    """Return the digests of a card built from nothing, by version; ``folder`` then holds the card of "other"."""
    made = {}
    for version in SETTINGS:
        shutil.rmtree(folder / "build", ignore_errors=True)
        edit(folder, version)
        assert run(folder) is None
        made[version] = digests(folder / "build/cards/desk")
    return made


def assert_last_good(folder: Path, made: dict[str, dict[str, str]], old: str, new: str) -> None:
    """Assert that each file of the card is whole, the old or the new one, and the record not newer than the image."""
    now = digests(folder / "build/cards/desk")
    for name in ("card.img", "record.json", "plan.json"):
        assert now.get(name) in {made[old][name], made[new][name]}, f"{name} is neither the old nor the new one"
    if now["record.json"] == made[new]["record.json"]:
        assert now["card.img"] == made[new]["card.img"]
    image = folder / "build/cards/desk/card.img"
    with image.open("rb") as file:
        start = int.from_bytes(file.read(512)[454:458], "little")  # first sector of the first partition
    with_fsck.check(image, start * 512, folder)
    (folder / "volume.img").unlink()


@pytest.mark.parametrize("fault", FAULTS)
def test_whichever_call_fails_the_last_good_card_stays_and_the_next_run_is_whole(
    folder: Path, fault: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    require("fsck.fat")
    made = cards_of(folder)
    old, new = "other", "one"
    for number in range(1, 1000):
        edit(folder, new)
        layer = Layer(fault, fail_at=number)
        with monkeypatch.context() as patch:
            install(layer, patch)
            failure = run(folder)
        if failure is not None:
            assert failure.exit_code == 3, failure.message
            assert len(failure.message.splitlines()) <= 2, failure.message
            assert not list((folder / "build").rglob("*.part"))
        assert_last_good(folder, made, old, new)
        assert run(folder) is None
        assert digests(folder / "build/cards/desk") == made[new], layer.calls[number - 1 : number]
        old, new = new, old
        if len(layer.calls) < number:
            break
    assert 40 < number < 999


def test_everything_is_synced_before_it_is_renamed_and_its_folder_after(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    layer = Layer()
    install(layer, monkeypatch)
    for version in ("one", "other", "one"):
        edit(folder, version)
        assert run(folder) is None
    renamed = [number for number, (what, _) in enumerate(layer.calls) if what == "replace"]
    checked, later = 0, list[str]()
    for number in renamed:
        source, target = layer.calls[number][1].split(" ")
        if not source.endswith(".part"):
            continue  # the spare becomes the temporary file: nothing depends on it
        if re.search(r"/build/(roms/|state/builds/)", target):
            later.append(target)  # when the run ends, or not at all where damage shows
            continue
        checked += 1
        before = [what for what, path in layer.calls[:number] if path == source]
        assert before[-1] == "fsync", f"{target}: {before[-3:]}"
        assert layer.calls[number + 1][0] == "fsync", f"{target} is renamed, then {layer.calls[number + 1]}"
        assert layer.calls[number + 1][1] == "folder"
    assert checked > 15
    roms = {target for target in later if "/roms/" in target}
    assert roms
    for target in roms:
        last = max(number for number, (_, path) in enumerate(layer.calls) if path.endswith(f" {target}"))
        assert ("fsync", target) in layer.calls[last:], f"{target} is never synced"


def damage_unseen(rom: Path) -> None:
    """Change a ROM file as a power cut may: the file looks as it did when its stamp was written."""
    rom.write_bytes(bytes(rom.stat().st_size))
    stamps = rom_stamps(rom.parents[2])
    made = stamps.read(rom.parent.name, Stamp)
    assert made
    outputs = {name: (rom, output.sha256) for name, output in made.outputs.items()}
    stamps.write(rom.parent.name, stamp_of(made.inputs, outputs))


@pytest.mark.skipif(os.name != "posix", reason="elsewhere a stamp has no change time")
@pytest.mark.parametrize("first", [(), ("config:desk",), ("check",)], ids=" ".join)
def test_a_rom_file_that_a_power_cut_damaged_is_made_again_whatever_is_asked_for_first(
    folder: Path, first: tuple[str, ...]
) -> None:
    assert doit(folder).code == 0
    rom = folder / "build/roms/snail-race/SNAIL.ROM"
    good, whole = rom.read_bytes(), digests(folder / "build/cards/desk")
    damage_unseen(rom)
    (folder / "build/state/running").touch()
    ran = doit(folder, *first)
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.startswith("sweep   the last run was interrupted: rebuilding ROM files of 1 title\n")
    assert not (folder / "build/state/running").exists()
    assert doit(folder).code == 0
    assert rom.read_bytes() == good
    assert digests(folder / "build/cards/desk") == whole


@pytest.mark.skipif(os.name != "posix", reason="elsewhere a stamp has no change time")
def test_after_a_run_that_was_killed_rom_files_that_are_whole_are_not_made_again(folder: Path) -> None:
    assert doit(folder).code == 0
    rom = folder / "build/roms/snail-race/SNAIL.ROM"
    before = rom.stat()
    (folder / "build/state/running").touch()
    ran = doit(folder)
    assert "rom " not in ran.out
    assert "sweep" not in ran.out
    assert rom.stat() == before


def kill_at_random(folder: Path, times: int, seed: int) -> None:
    """Kill so many runs, a multiple of five, and check after each what is left."""
    require("fsck.fat")
    moments = random.Random(seed)
    made = cards_of(folder)
    whole = {name: {version: made[version][name] for version in made} for name in made["one"]}
    old, new = "other", "one"
    start = time.monotonic()
    edit(folder, new)
    assert doit(folder).code == 0
    took = time.monotonic() - start
    old, new = new, old
    for number in range(times):
        edit(folder, new)
        with subprocess.Popen(
            command(folder), cwd=folder, env={**os.environ, **BYTECODE},
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        ) as running:  # fmt: skip
            time.sleep(moments.uniform(0.2, 1) * took)
            running.send_signal(signal.SIGKILL)
        assert_last_good(folder, made, old, new)
        if number % 5 == 4:  # in between, kills follow one another
            assert doit(folder).code == 0
            now = digests(folder / "build/cards/desk")
            assert all(now[name] == whole[name][new] for name in whole)
            assert not list((folder / "build").rglob("*.part"))
            old, new = new, old


@pytest.mark.skipif(os.name != "posix", reason="SIGKILL is POSIX")
def test_kills_leave_the_last_good_card_and_the_next_run_is_whole(folder: Path) -> None:
    kill_at_random(folder, 50 if os.environ.get("CI") else 10, 7)


@pytest.mark.long
@pytest.mark.skipif(os.name != "posix", reason="SIGKILL is POSIX")
def test_a_thousand_kills_leave_the_last_good_card_and_the_next_run_is_whole(folder: Path) -> None:
    kill_at_random(folder, 1000, 8)


def test_two_runs_at_once_never_mix(folder: Path) -> None:
    made = cards_of(folder)
    shutil.rmtree(folder / "build")
    both = [
        subprocess.Popen(
            command(folder), cwd=folder, env={**os.environ, **BYTECODE}, stdout=subprocess.PIPE,
            stderr=subprocess.PIPE, text=True,
        )
        for _ in range(2)
    ]  # fmt: skip
    ended = [(process.communicate()[1], process.returncode) for process in both]
    busy = "another run is working in build/\n  hint: wait until it has ended\n"
    for said, code in ended:
        assert (said, code) in {("", 0), (busy, 3)}
    assert 0 in {code for _, code in ended}
    now = digests(folder / "build/cards/desk")
    assert all(now[name] == made["other"][name] for name in made["other"])
