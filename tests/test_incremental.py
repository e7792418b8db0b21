"""A changed input rebuilds exactly what depends on it, and doit says why (promise 5)."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

from tests import small
from tests.running import digests, doit, times, write_tree

NOTHING = re.compile(r"check   .*: no problems\nnothing to do: all is as declared \(\d+\.\d s\)\n")


@pytest.fixture
def built(tmp_path: Path) -> Path:
    folder = small.small_project(tmp_path)
    ran = doit(folder)
    assert (ran.code, ran.err) == (0, "")
    return folder


def stages(out: str) -> list[str]:
    """Return the stages that did something, with the reasons they gave."""
    lines = [re.fullmatch(r"(\w+) .*?(?: \(([^()]*)\))?", line) for line in out.splitlines()]
    return [f"{line[1]}: {line[2]}" for line in lines if line and line[1] not in ("check", "done", "find")]


def test_a_first_run_builds_everything_and_a_second_one_nothing(built: Path) -> None:
    before = times(built / "build")
    ran = doit(built)
    assert (ran.code, ran.err) == (0, "")
    assert NOTHING.fullmatch(ran.out), ran.out
    assert times(built / "build") == before


def test_a_comment_rebuilds_nothing(built: Path) -> None:
    for path in (built / "inputs").rglob("*.toml"):
        path.write_text("# a remark\n" + path.read_text(encoding="utf-8"), encoding="utf-8")
    assert NOTHING.fullmatch(doit(built).out)


def test_a_touched_file_rebuilds_nothing(built: Path) -> None:
    for path in (built / "inputs").rglob("*"):
        os.utime(path)
    assert NOTHING.fullmatch(doit(built).out)


def test_what_is_built_stays_good_without_its_sources(built: Path) -> None:
    (built / "inputs/files/attic").rename(built / "unplugged")
    (built / "inputs/files/attic").mkdir()
    assert NOTHING.fullmatch(doit(built).out)


def test_a_changed_line_of_a_config_file_rebuilds_the_card_but_no_rom_file(built: Path) -> None:
    write_tree(built, {"inputs/files/system/BOARD.CFG": small.CONFIG + b"[sound]\r\n"})
    assert stages(doit(built).out) == [
        "plan: the card's contents or layout changed",
        "config: BOARD.CFG changed",
        "image: the plan changed",
        "record: record.json no longer says what is so",
        "sheet: the record changed",
    ]


def test_a_changed_chip_rebuilds_its_rom_file_and_the_card(built: Path) -> None:
    chip = bytes(1024)
    title = small.TITLE.replace(small.sha(small.CHIP_B), small.sha(chip))
    title = title.replace(small.sha(small.ROM), small.sha(small.CHIP_A + chip))
    write_tree(built, {"inputs/titles/snail-race.toml": title, "inputs/files/attic/new.bin": chip})
    assert stages(doit(built).out) == [
        "rom: chip b1 changed",
        "plan: the card's contents or layout changed",
        "image: the plan changed",
        "record: record.json no longer says what is so",
        "sheet: the manifests, the record changed",
    ]


def test_a_changed_name_rebuilds_record_and_sheet_alone(built: Path) -> None:
    write_tree(built, {"inputs/cards/desk.toml": small.CARD.replace('"Desk"', '"Desk by the window"')})
    assert stages(doit(built).out) == [
        "record: record.json no longer says what is so",
        "sheet: the manifests, the record changed",
    ]


def test_what_only_people_read_rebuilds_the_sheet_alone(built: Path) -> None:
    write_tree(built, {"inputs/cores/fern.toml": small.CORE.replace("[bits", 'start = ["Press F1."]\n[bits')})
    assert stages(doit(built).out) == ["sheet: the manifests changed"]
    assert "Press F1." in (built / "build/cards/desk/sheet.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("output", "expected"),
    [
        ("build/roms/snail-race/SNAIL.ROM", ["rom: SNAIL.ROM was changed by something else"]),
        ("build/cards/desk/card.img", ["image: card.img was changed by something else"]),
        ("build/cards/desk/record.json", ["record: record.json no longer says what is so"]),
        ("build/configs/desk/BOARD.CFG", ["config: BOARD.CFG changed"]),
        ("build/cards/desk/sheet.html", ["sheet: sheet.html was changed by something else"]),
    ],
)
def test_an_output_edited_by_hand_is_noticed_and_made_again(built: Path, output: str, expected: list[str]) -> None:
    before = digests(built / "build/cards")
    with (built / output).open("r+b") as file:
        file.write(b"?")
    assert stages(doit(built).out) == expected
    assert digests(built / "build/cards") == before


def test_an_output_that_is_gone_is_made_again(built: Path) -> None:
    before = digests(built / "build/cards")
    (built / "build/cards/desk/card.img").unlink()
    assert stages(doit(built).out) == ["image: card.img is gone"]
    assert digests(built / "build/cards") == before


def test_a_rom_file_without_a_declared_hash_is_planned_once_it_is_built(tmp_path: Path) -> None:
    title = small.TITLE.replace(f'sha256 = "{small.sha(small.ROM)}"\n', "")
    folder = small.small_project(tmp_path, {"inputs/titles/snail-race.toml": title})
    assert doit(folder).code == 0
    assert f'"sha256":"{small.sha(small.ROM)}"' in (folder / "build/cards/desk/plan.json").read_text(encoding="utf-8")
    assert NOTHING.fullmatch(doit(folder).out)


def test_a_hash_pinned_afterwards_assembles_nothing_anew(tmp_path: Path) -> None:
    unpinned = small.TITLE.replace(f'sha256 = "{small.sha(small.ROM)}"\n', "")
    folder = small.small_project(tmp_path, {"inputs/titles/snail-race.toml": unpinned})
    assert doit(folder).code == 0
    write_tree(folder, {"inputs/titles/snail-race.toml": small.TITLE})
    assert [line for line in stages(doit(folder).out) if line.startswith(("rom", "image"))] == []


def test_a_wrong_hash_pinned_afterwards_is_refused(built: Path) -> None:
    wrong = small.TITLE.replace(small.sha(small.ROM), "0" * 64)
    write_tree(built, {"inputs/titles/snail-race.toml": wrong})
    ran = doit(built)
    assert ran.code == 1
    assert f"rom.1.sha256: the steps give {small.sha(small.ROM)}; expected {'0' * 64}" in ran.err
