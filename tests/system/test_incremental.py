"""A changed input rebuilds exactly what depends on it, and doit says why (promise 5)."""

from __future__ import annotations

import os
import re
import subprocess
from pathlib import Path

import pytest

from tests.strangers.tools import require
from tests.support import small
from tests.support.cli import BYTECODE, command, digests, doit, times, write_tree

NOTHING = re.compile(r"check   .*: no problems\nup to date \(\d+\.\d s\)\n")


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


@pytest.mark.parametrize(
    ("content", "key"), [("dump(2).bin", "titles/snail-race.toml:6:1: chips.b1"), ("core.bin", "cores/fern.toml:5:1: ")]
)
def test_what_is_to_be_made_once_more_without_its_sources_tells_what_is_missing(
    built: Path, content: str, key: str
) -> None:
    (built / "inputs/files/attic" / content).unlink()
    before = digests(built / "build/cards")
    ran = doit(built, "--always-execute")
    assert (ran.code, ran.err.count(" is in none of the 1 place searched: ")) == (1, 1)
    assert ran.err.startswith(f"inputs/{key}")
    assert digests(built / "build/cards") == before


def test_a_changed_line_of_a_config_file_rebuilds_the_card_but_no_rom_file(built: Path) -> None:
    write_tree(built, {"inputs/files/system/BENCH.SET": small.CONFIG + b"[sound]\r\n"})
    assert stages(doit(built).out) == [
        "plan: the card's contents or layout changed",
        "config: BENCH.SET changed",
        "image: the plan changed",
        "record: record.json is out of date",
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
        "record: record.json is out of date",
        "sheet: the record, title snail-race changed",
    ]


def test_a_changed_name_rebuilds_record_and_sheet_alone(built: Path) -> None:
    write_tree(built, {"inputs/cards/desk.toml": small.CARD.replace('"Desk"', '"Desk by the window"')})
    assert stages(doit(built).out) == [
        "record: record.json is out of date",
        "sheet: card desk, the record changed",
    ]


def test_what_only_people_read_rebuilds_the_sheet_alone(built: Path) -> None:
    write_tree(built, {"inputs/cores/fern.toml": small.CORE.replace("[bits", 'start = ["Press F1."]\n[bits')})
    assert stages(doit(built).out) == ["sheet: core fern changed"]
    assert "Press F1." in (built / "build/cards/desk/sheet.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("output", "expected"),
    [
        ("build/roms/snail-race/SNAIL.ROM", ["rom: SNAIL.ROM was changed by another program"]),
        ("build/cards/desk/plan.json", ["plan: the card's contents or layout changed"]),
        ("build/configs/desk/BENCH.SET", ["config: BENCH.SET changed"]),
        ("build/configs/desk/FABRICS/FERN/SIGN.TXT", ["config: FABRICS/FERN/SIGN.TXT changed"]),
        ("build/cards/desk/card.img", ["image: card.img was changed by another program"]),
        ("build/cards/desk/record.json", ["record: record.json is out of date"]),
        (
            "build/cards/desk/SHA256SUMS",
            ["image: it is not the recorded image of this plan", "record: the image is not finished"],
        ),
        ("build/cards/desk/sheet.html", ["sheet: sheet.html was changed by another program"]),
    ],
)
def test_an_output_edited_by_hand_is_noticed_and_made_again(built: Path, output: str, expected: list[str]) -> None:
    before = made(built)
    state = (built / output).stat()
    with (built / output).open("r+b") as file:
        file.write(b"?")
    if os.name == "posix":  # the time of change cannot be put back there
        os.utime(built / output, ns=(state.st_atime_ns, state.st_mtime_ns))
    assert stages(doit(built).out) == expected
    assert made(built) == before


@pytest.mark.parametrize(
    ("output", "expected"),
    [
        ("build/roms/snail-race/SNAIL.ROM", "rom: SNAIL.ROM is gone"),
        ("build/cards/desk/plan.json", "plan: None"),
        ("build/configs/desk/BENCH.SET", "config: None"),
        ("build/cards/desk/card.img", "image: card.img is gone"),
        ("build/cards/desk/record.json", "record: None"),
        ("build/cards/desk/SHA256SUMS", "record: None"),
        ("build/cards/desk/sheet.html", "sheet: sheet.html is gone"),
    ],
)
def test_an_output_that_is_gone_is_made_again(built: Path, output: str, expected: str) -> None:
    before = made(built)
    (built / output).unlink()
    assert stages(doit(built).out) == [expected]
    assert made(built) == before


def made(folder: Path) -> dict[str, str]:
    """Return the digests of all outputs, without the state."""
    return {name: sha256 for name, sha256 in digests(folder / "build").items() if not name.startswith("state/")}


SAME_BYTES: dict[str, tuple[str, str]] = {
    "a step that puts the same bytes once more": (
        'join = ["a1", "b1"]',
        'join = ["a1", "b1"]\n[[rom.steps]]\nat = 1024\nchip = "b1"\nover = true',
    ),
    "a chip of another name": ("b1", "c1"),
    "a step written otherwise": ('join = ["a1", "b1"]', 'chip = "a1"\n[[rom.steps]]\nat = 1024\nchip = "b1"'),
}


@pytest.mark.parametrize(("old", "new"), SAME_BYTES.values(), ids=SAME_BYTES)
def test_a_rom_file_that_comes_out_equal_stops_the_chain(tmp_path: Path, old: str, new: str) -> None:
    title = small.TITLE.replace(f'sha256 = "{small.sha(small.ROM)}"\n', "")  # so that only its bytes can tell
    folder = small.small_project(tmp_path, {"inputs/titles/snail-race.toml": title})
    assert doit(folder).code == 0
    kept = [folder / "build/cards/desk" / name for name in ("card.img", "plan.json")]
    before = [(path.stat().st_ino, path.stat().st_mtime_ns) for path in kept]
    write_tree(folder, {"inputs/titles/snail-race.toml": title.replace(old, new)})
    told = stages(doit(folder).out)
    assert [line.partition(":")[0] for line in told] == ["rom", "record", "sheet"]
    assert [(path.stat().st_ino, path.stat().st_mtime_ns) for path in kept] == before
    assert NOTHING.fullmatch(doit(folder).out)


def test_a_touched_file_is_hashed_once_and_then_known(tmp_path: Path) -> None:
    spare, logo = "inputs/files/attic/spare.bin", "inputs/files/system/LOGO.BIN"
    folder = small.small_project(tmp_path / "project", {spare: bytes(1024), logo: b"logo"})
    for path in (folder / "inputs/files").rglob("*"):
        os.utime(path, ns=(0, 0))  # long ago; what was changed just now may change again unseen
    assert doit(folder).code == 0
    seen = []
    for touched in ([], [spare, logo], []):
        for name in touched:
            os.utime(folder / name, ns=(0, 1_000_000_000))
        (folder / "build/cards/desk/card.img").unlink()  # the base files are listed and the sources searched for it
        opened = files_opened(folder, tmp_path / "trace")
        seen.append(
            {name: opened.count(str(folder / name)) for name in (*small.FILES, spare, logo) if "/files/" in name}
        )
    assert [one.pop(spare) for one in seen] == [0, 2, 0]  # once for its first bytes: it may have become an archive
    assert [one.pop(logo) for one in seen] == [1, 2, 1]  # and once each time as it goes into the image
    assert seen[0] == seen[1] == seen[2]
    assert (seen[0]["inputs/files/attic/x/dump(1).bin"], seen[0]["inputs/files/attic/dump(2).bin"]) == (0, 0)


def files_opened(folder: Path, trace: Path) -> list[str]:
    """Run doit and return the files that were opened, once for each time."""
    words = [require("strace"), "-f", "-e", "trace=open,openat", "-o", str(trace), *command(folder)]
    subprocess.run(words, env={**os.environ, **BYTECODE}, capture_output=True, check=True)
    return re.findall(r'"([^"]+)", O_RDONLY', trace.read_text(encoding="utf-8"))


def test_what_nothing_claims_any_more_is_removed_below_build_only(built: Path) -> None:
    mine = {
        "published/old/card.img": "mine",
        "inputs/kept/gone/SAVE.BIN": "mine",
        "roms/gone/GONE.ROM": "mine",
        "build/received/gone/card.img": "mine",
        "build/notes.txt": "mine",
    }
    write_tree(built, {**mine, "inputs/cards/second.toml": small.CARD})
    assert doit(built).code == 0
    (built / "build/roms/link").symlink_to(built / "roms")
    (built / "build/cards/second/card.img").unlink()  # a finished image would stay
    before = set(digests(built))
    (built / "inputs/cards/second.toml").unlink()
    ran = doit(built)
    assert (ran.code, ran.err) == (0, "")
    gone = before - set(digests(built)) - {"inputs/cards/second.toml"}
    assert gone
    assert {name.split("/")[0] for name in gone} == {"build"}
    assert {name for name in gone if "second" not in name} == set()
    assert not (built / "build/roms/link").is_symlink()
    assert [name for name in mine if (built / name).read_text(encoding="utf-8") != "mine"] == []


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
