"""A failed or killed build says why in plain lines and leaves the last good image and record (promise 3)."""

from __future__ import annotations

import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import pytest

from pipeline.sources.files.signature import signature
from tests.support import small
from tests.support.cli import command, digests, doit, write_tree

BIG_CHIP = random.Random(5).randbytes(1024)


@pytest.fixture
def built(tmp_path: Path) -> Path:
    folder = small.small_project(tmp_path)
    assert doit(folder).code == 0
    return folder


def test_everything_that_is_missing_is_listed_at_once_with_what_is_nearest(tmp_path: Path) -> None:
    folder = small.small_project(tmp_path)
    write_tree(folder, {"inputs/files/attic/dump(2).bin": bytes(1024), "inputs/files/attic/core.bin": b"?"})
    ran = doit(folder)
    assert ran.code == 1
    assert ran.err == (
        f"inputs/cores/fern.toml:5:1: bitstream: FABRICS/FERN/FERN.FAB of fern is in none of the 1 place searched: "
        f"720 bytes, SHA-256 {small.sha(small.BITSTREAM)}\n"
        "  hint: add the folder or archive it is in to sources.toml\n"
        f"inputs/titles/snail-race.toml:6:1: chips.b1: chip b1 of Snail race is in none of the 1 place searched: "
        f"1 KiB, SHA-256 {small.sha(small.CHIP_B)}\n"
        "  hint: found, but with every bit inverted, as inputs/files/attic/x/dump(1).bin; to use it, "
        f'declare size = 1024 and sha256 = "{small.sha(small.CHIP_A)}", '
        "and begin its then with { invert = true }\n"
    )


def test_a_failed_build_leaves_the_last_good_card(built: Path) -> None:
    before = digests(built / "build/cards")
    title = small.TITLE.replace(small.sha(small.CHIP_B), "0" * 64)
    write_tree(built, {"inputs/titles/snail-race.toml": title})
    assert doit(built).code == 1
    assert digests(built / "build/cards") == before


def test_a_broken_manifest_leaves_the_last_good_card(built: Path) -> None:
    before = digests(built / "build/cards")
    write_tree(built, {"inputs/cards/desk.toml": small.CARD + "label ="})
    ran = doit(built)
    assert ran.code == 2
    assert ran.err.startswith("inputs/cards/desk.toml:9:8: ")
    assert digests(built / "build/cards") == before


def test_a_rom_file_that_is_not_the_declared_one_shows_both_hashes(tmp_path: Path) -> None:
    title = small.TITLE.replace('["a1", "b1"]', '["b1", "a1"]')
    ran = doit(small.small_project(tmp_path, {"inputs/titles/snail-race.toml": title}))
    assert ran.code == 1
    assert ran.err == (
        f"inputs/titles/snail-race.toml:12:10: rom.1.sha256: the steps give {small.sha(small.CHIP_B + small.CHIP_A)}; "
        f"expected {small.sha(small.ROM)}\n"
        "  hint: every chip is the declared one, so a step is wrong, or this hash is; with the finished file at "
        "hand, doit solve title:snail-race rom.1 FILE says which; "
        "if the new file is meant, doit pin title:snail-race rom.1 built --replace\n"
    )


def test_a_second_run_in_the_same_folder_is_refused(built: Path) -> None:
    holder = (
        "import sys; from filelock import FileLock; lock = FileLock(sys.argv[1]); lock.acquire(); "
        "print('held', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", holder, str(built / "build/state/lock")],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        write_tree(built, {"inputs/cards/desk.toml": small.CARD.replace("DESK", "TABLE")})
        ran = doit(built)
        other.communicate("")
    assert (ran.code, ran.out, ran.err) == (
        3,
        "",
        "another run is working in build/\n  hint: wait until it has ended\n",
    )


@pytest.mark.skipif(os.name != "posix", reason="a file size limit is POSIX (setrlimit)")
def test_a_write_that_fails_is_one_line_and_leaves_the_last_good_card(built: Path) -> None:
    before = digests(built / "build/cards")
    write_tree(built, {"inputs/files/system/BIG.BIN": bytes(range(256)) * 8192})
    # a process may write no file beyond 1 MiB: writing fails as on a full disk, with another number
    limit = (
        "import resource, signal, sys, runpy; signal.signal(signal.SIGXFSZ, signal.SIG_IGN); "
        "resource.setrlimit(resource.RLIMIT_FSIZE, (1 << 20, 1 << 20)); sys.argv = ['doit', *sys.argv[1:]]; "
        "runpy.run_module('doit', run_name='__main__')"
    )
    run = subprocess.run(
        [sys.executable, "-c", limit, *command(built)[3:]], cwd=built, capture_output=True, text=True, check=False
    )
    assert run.returncode == 3, run.stderr
    assert "card.img" in run.stderr
    assert "Traceback" not in run.stderr
    assert digests(built / "build/cards", "*/card.img") == {
        name: sha256 for name, sha256 in before.items() if name.endswith("card.img")
    }
    assert not list((built / "build").rglob("*.part"))


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="only where permissions bind the user")
def test_no_permission_to_write_is_one_line(tmp_path: Path) -> None:
    folder = small.small_project(tmp_path)
    (folder / "build/cards").mkdir(parents=True)
    (folder / "build/cards").chmod(0o555)
    ran = doit(folder)
    (folder / "build/cards").chmod(0o755)
    assert ran.code == 3
    assert "Permission denied" in ran.err


def test_a_file_in_the_way_of_a_folder_is_one_line(tmp_path: Path) -> None:
    folder = small.small_project(tmp_path)
    (folder / "build").mkdir()
    (folder / "build/roms").write_text("in the way")
    ran = doit(folder)
    assert ran.code == 3
    assert ran.err == f"{folder}/build/roms/snail-race: Not a directory\n"


def test_a_broken_archive_is_named_and_the_rest_is_used(tmp_path: Path) -> None:
    folder = small.small_project(tmp_path)
    with zipfile.ZipFile(folder / "inputs/files/attic/more.zip", "w") as archive:
        archive.writestr("x.bin", bytes(5000))
    whole = (folder / "inputs/files/attic/more.zip").read_bytes()
    write_tree(folder, {"inputs/files/attic/more.zip": whole[:-30]})
    ran = doit(folder)
    assert ran.code == 0
    assert ran.err.startswith("warning: inputs/files/attic/more.zip: ")


def test_a_forged_index_gives_no_other_card_and_is_begun_anew(built: Path) -> None:
    """Every remembered hash is that of another chip: what is used is hashed again, and the next run searches anew."""
    before = digests(built / "build/cards")
    age(built)
    shutil.rmtree(built / "build")
    assert doit(built).code == 0
    for title in ("", "# so that nothing is taken for current\n"):
        with sqlite3.connect(built / "build/state/index.sqlite") as index:
            wrong = (small.sha(small.CHIP_B),)
            assert index.execute("UPDATE files SET sha256 = ?", wrong).rowcount > 0
            assert index.execute("UPDATE contents SET sha256 = ?", wrong).rowcount > 0
        index.close()
        shutil.rmtree(built / "build/cards")
        shutil.rmtree(built / "build/roms")
        write_tree(built, {"inputs/titles/snail-race.toml": small.TITLE + title})
        for _ in range(4):
            ran = doit(built)
            if ran.code == 0:
                break
            assert ran.code in (1, 2)
            assert "Traceback" not in ran.err
            assert not list(built.glob("build/cards/*/card.img"))
        assert ran.code == 0
        assert digests(built / "build/cards") == before


def test_an_image_changed_by_something_else_is_made_again_whatever_the_index_says_of_it(built: Path) -> None:
    before = digests(built / "build/cards")
    image = built / "build/cards/desk/card.img"
    with image.open("r+b") as file:
        file.seek(-512, os.SEEK_END)
        file.write(b"changed")
    os.utime(image, (1, 1))
    now = image.stat()
    with sqlite3.connect(built / "build/state/index.sqlite") as index:
        row = (os.fsencode(image), "", before["desk/card.img"], 0, now.st_size, signature(now))
        index.execute("REPLACE INTO contents VALUES (?, ?, ?, ?, ?, ?)", row)
    index.close()
    ran = doit(built)
    assert (ran.code, ran.err) == (0, "")
    assert "card.img was changed by another program" in ran.out
    assert digests(built / "build/cards") == before


def age(folder: Path) -> None:
    """Make all files an hour old, so that what is learned of them is remembered."""
    for path in folder.rglob("*"):
        os.utime(path, (time.time() - 3600,) * 2)


@pytest.mark.skipif(os.name != "posix", reason="SIGKILL is POSIX")
def test_a_build_killed_at_any_moment_is_finished_by_the_next(tmp_path: Path) -> None:
    seed = 11
    moments = random.Random(seed)
    whole = small.small_project(tmp_path / "whole", {"inputs/files/system/BIG.BIN": BIG_CHIP * 4096})
    start = time.monotonic()
    assert doit(whole).code == 0
    took = time.monotonic() - start
    expected = digests(whole / "build/cards")
    folder = small.small_project(tmp_path / "killed", {"inputs/files/system/BIG.BIN": BIG_CHIP * 4096})
    for _ in range(12):
        with subprocess.Popen(command(folder), cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as run:
            time.sleep(moments.uniform(0.1, took))
            run.send_signal(signal.SIGKILL)
        image = folder / "build/cards/desk/card.img"
        if image.exists():  # whatever stands under the final name is whole
            assert digests(image.parent)["card.img"] == expected["desk/card.img"]
            image.unlink()
    assert doit(folder).code == 0
    assert digests(folder / "build/cards") == expected


def test_a_dump_that_only_another_card_needs_may_be_missing(tmp_path: Path) -> None:
    other = small.CARD.replace('titles = ["snail-race"]', "titles = []").replace('"Desk"', '"Plain"')
    folder = small.small_project(tmp_path, {"inputs/cards/plain.toml": other})
    (folder / "inputs/files/attic/dump(2).bin").unlink()
    ran = doit(folder, "record:plain")
    assert (ran.code, ran.err) == (0, "")
    assert "find    1 of 1 content found in 1 place\n" in ran.out
    assert doit(folder, "rom:snail-race").code == 1
    assert doit(folder).code == 1


def test_a_title_on_no_card_is_built_or_its_missing_chips_are_told(tmp_path: Path) -> None:
    card = small.CARD.replace('titles = ["snail-race"]\n', "")
    folder = small.small_project(tmp_path, {"inputs/cards/desk.toml": card})
    ran = doit(folder, "rom:snail-race")
    assert (ran.code, ran.err) == (0, "")
    assert "rom     snail-race: 1 ROM file from 2 chips, 2 KiB\n" in ran.out
    shutil.rmtree(folder / "build")
    (folder / "inputs/files/attic/dump(2).bin").unlink()
    (folder / "inputs/files/attic/x/dump(1).bin").write_bytes(b"x")
    assert doit(folder, "sheet:desk").code == 0
    for task in ("rom", "rom:snail-race"):
        ran = doit(folder, task)
        assert (ran.code, ran.err) == (
            1,
            "inputs/titles/snail-race.toml:3:1: chips.a1: chip a1 of Snail race is in none of the 1 place searched: "
            f"1 KiB, SHA-256 {small.sha(small.CHIP_A)}\n"
            "  hint: add the folder or archive it is in to sources.toml\n"
            "inputs/titles/snail-race.toml:6:1: chips.b1: chip b1 of Snail race is in none of the 1 place searched: "
            f"1 KiB, SHA-256 {small.sha(small.CHIP_B)}\n"
            "  hint: add the folder or archive it is in to sources.toml\n",
        )


def test_a_declared_file_in_the_place_of_a_changed_config_file_is_an_error(tmp_path: Path) -> None:
    card = small.CARD + '[[files]]\npath = "bench.set"\nfrom = "files/mine.cfg"\n'
    folder = small.small_project(tmp_path, {"inputs/cards/desk.toml": card, "inputs/files/mine.cfg": small.CONFIG})
    ran = doit(folder)
    assert (ran.code, ran.out) == (2, "")
    assert ran.err == (
        'inputs/cards/desk.toml:9:1: files.1: file "bench.set" and file "BENCH.SET" are one name to readers that '
        "ignore letter case and how accents are written\n"
        "  see inputs/boards/oak.toml:10:1: settings.language\n"
        "  hint: rename one of them\n"
    )


def test_a_declared_file_in_a_reserved_place_is_an_error_though_it_is_changed(tmp_path: Path) -> None:
    board = 'reserved = ["OWN.CFG"]\n' + small.BOARD
    card = small.CARD + (
        '[[files]]\npath = "OWN.CFG"\nfrom = "files/mine.cfg"\n'
        '[[edits]]\npath = "OWN.CFG"\nsection = "words"\nkey = "form"\nvalue = "7"\n'
    )
    changes: dict[str, str | bytes] = {"inputs/boards/oak.toml": board, "inputs/cards/desk.toml": card}
    ran = doit(small.small_project(tmp_path, {**changes, "inputs/files/mine.cfg": small.CONFIG}))
    assert (ran.code, ran.out) == (2, "")
    assert ran.err == (
        'inputs/cards/desk.toml:9:1: files.1: "OWN.CFG" is reserved by board "oak" ("OWN.CFG")\n'
        "  see inputs/boards/oak.toml:1:12: reserved\n"
        "  hint: put the file somewhere else\n"
    )
