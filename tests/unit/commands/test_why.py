"""``doit why`` and ``doit jobs``: what is due, what was done last, and what there is to build."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest

from pipeline.commands.why import Why
from pipeline.explain.build_log import Notes
from pipeline.explain.pending_changes import SAME_HASH_DECLARED
from pipeline.record.compare import SAME_BYTES
from tests.support import small
from tests.support.building import build_in
from tests.support.cli import digests, doit, own_command, within, write_tree

NOTHING = "desk: up to date\n"
UNKNOWN = NOTHING + "the last build is unknown\n"


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = small.small_project(tmp_path_factory.mktemp("finished"))
    assert doit(folder).code == 0
    return folder


@pytest.fixture
def built(finished: Path, tmp_path: Path) -> Path:
    """Return a copy of a project that was built once."""
    return shutil.copytree(finished, tmp_path / "built")


def change_chip(folder: Path) -> None:
    """Declare another chip b1, and lay its dump down."""
    chip = bytes(1024)
    title = small.TITLE.replace(small.sha(small.CHIP_B), small.sha(chip))
    title = title.replace(small.sha(small.ROM), small.sha(small.CHIP_A + chip))
    write_tree(folder, {"inputs/titles/snail-race.toml": title, "inputs/files/attic/new.bin": chip})


def steps(folder: Path) -> list[tuple[str, str, str]]:
    """Return what was done last for the card: stage, reason, and how its bytes came out."""
    done = json.loads(within(folder, Why, "desk", "--json").out)["done"]
    return [(step["stage"], step["why"], step["bytes"]) for step in done]


CHIP_CHANGED = """\
  files
    changed  GOODS/FERN/SNAIL.ROM, 2 KiB
        chip b1 changed: range 0x0400-0x07FF
        declared in inputs/titles/snail-race.toml:6:1: chips.b1
"""


def test_before_the_build_the_chain_from_input_to_image_is_told_and_nothing_is_built(built: Path) -> None:
    change_chip(built)
    before = digests(built / "build", "[!s]*/**/*")
    ran = within(built, Why, "desk")
    assert (ran.code, ran.err) == (0, "")
    assert ran.out == (
        "rom     snail-race: chip b1 changed\n"
        "plan    desk: the card's contents or layout changed\n"
        "image   desk: the plan changed\n"
        "record  desk: the image changes\n"
        "sheet   desk: the record changes\n"
        f"what changes on the card:\n{CHIP_CHANGED}"
    )
    told = json.loads(within(built, Why, "desk", "--json").out)
    assert told["due"][0] == {"stage": "rom", "item": "snail-race", "why": "chip b1 changed"}
    assert (told["done"], told["unmade"]) == ([], [])
    assert "".join(f"  {line}\n" for line in told["differs"]) == CHIP_CHANGED
    assert digests(built / "build", "[!s]*/**/*") == before


def test_after_the_build_the_chain_from_input_to_image_is_told(built: Path) -> None:
    change_chip(built)
    assert doit(built).code == 0
    ran = within(built, Why, "desk")
    assert (ran.code, ran.err) == (0, "")
    assert re.sub(r"-> \S+ \S+ written.*;", "-> written;", ran.out) == (
        f"{NOTHING}last build:\n"
        "rom     snail-race: chip b1 changed\n"
        "        -> 1 ROM file from 2 chips, 2 KiB; other bytes\n"
        "plan    desk: the card's contents or layout changed\n"
        "        -> FAT16 on 16 MiB, 4 files in 4 folders, 2,823 bytes; other bytes\n"
        "image   desk: the plan changed\n"
        "        -> written; other bytes\n"
        "record  desk: record.json is out of date\n"
        "        -> build/cards/desk/record.json; other bytes\n"
        "sheet   desk: the record, title snail-race changed\n"
        "        -> build/cards/desk/sheet.html; other bytes\n"
        f"what changed on the card:\n{CHIP_CHANGED}"
    )


CHANGES: dict[str, tuple[dict[str, str | bytes], list[str], list[str]]] = {
    "a board's file": (
        {"inputs/files/system/BENCH.SET": small.CONFIG + b"[sound]\r\n"},
        ["plan", "config", "image", "record", "sheet"],
        [
            "files",
            "  changed  BENCH.SET: 49 bytes -> 58 bytes",
            "      line added: [sound]",
            "      from inputs/files/system/BENCH.SET",
        ],
    ),
    "a bitstream": (
        {
            "inputs/cores/fern.toml": small.CORE.replace("720", "3").replace(
                small.sha(small.BITSTREAM), small.sha(b"new")
            ),
            "inputs/files/attic/new.bin": b"new",
        },
        ["plan", "image", "record", "sheet"],
        [
            "files",
            "  changed  FABRICS/FERN/FERN.FAB: 720 bytes -> 3 bytes",
            "      declared in inputs/cores/fern.toml:5:1: bitstream",
        ],
    ),
    "an edit": (
        {
            "inputs/cards/desk.toml": small.CARD
            + '[[edits]]\npath = "BENCH.SET"\nsection = "words"\nkey = "rate"\nvalue = "9"\nadd = true\n'
        },
        ["plan", "config", "image", "record", "sheet"],
        [
            "files",
            "  changed  BENCH.SET: 49 bytes -> 59 bytes",
            "      [words] rate: added, 9",
            "      declared in inputs/cards/desk.toml:9:1: edits.1",
        ],
    ),
    "a choice of a core": (
        {"inputs/cores/fern.toml": small.CORE.replace("regional", "standard")},
        ["plan", "config", "image", "record", "sheet"],
        [
            "card",
            "  changed  board settings language: regional -> standard",
            "files",
            "  changed  BENCH.SET, 49 bytes",
            "      [words] form: 1 -> 0",
            "      declared in inputs/cores/fern.toml:10:25: needs.settings.language",
        ],
    ),
    "a value of the board": (
        {"inputs/boards/oak.toml": small.BOARD.replace('regional = "1"', 'regional = "2"')},
        ["plan", "config", "image", "record", "sheet"],
        [
            "files",
            "  changed  BENCH.SET, 49 bytes",
            "      [words] form: 1 -> 2",
            "      declared in inputs/boards/oak.toml:10:1: settings.language",
        ],
    ),
    "a label": (
        {"inputs/cards/desk.toml": small.CARD.replace('"DESK"', '"TABLE"')},
        ["plan", "image", "record", "sheet"],
        ["volume", "  changed  label: DESK -> TABLE"],
    ),
    "a name": (
        {"inputs/cards/desk.toml": small.CARD.replace('"Desk"', '"Table"')},
        ["record", "sheet"],
        ["card", "  changed  card name: Desk -> Table"],
    ),
    "a step with the same bytes": (
        {"inputs/titles/snail-race.toml": small.TITLE + '[[rom.steps]]\nat = 1024\nchip = "b1"\nover = true\n'},
        ["rom", "record", "sheet"],
        [
            "files",
            "  changed  GOODS/FERN/SNAIL.ROM: made otherwise, same bytes",
            "      step added: 0x0400: b1 (over earlier steps)",
            "      declared in inputs/titles/snail-race.toml:9:1: rom.1",
        ],
    ),
    "what only people read": (
        {"inputs/cores/fern.toml": small.CORE.replace("[bits", 'start = ["Press F1."]\n[bits')},
        ["sheet"],
        [],
    ),
    "an image edited by hand": ({"build/cards/desk/card.img": b"?"}, ["image"], []),
    "a plan edited by hand": ({"build/cards/desk/plan.json": b"?"}, ["plan"], []),
}


@pytest.mark.parametrize(("files", "stages", "differs"), CHANGES.values(), ids=CHANGES)
def test_what_is_told_before_is_what_is_done_and_told_after(
    built: Path, files: dict[str, str | bytes], stages: list[str], differs: list[str]
) -> None:
    write_tree(built, files)
    before = json.loads(within(built, Why, "desk", "--json").out)
    expected = [line.replace(SAME_BYTES, SAME_HASH_DECLARED) for line in differs]
    assert ([one["stage"] for one in before["due"]], before["differs"]) == (stages, expected)
    assert doit(built).code == 0
    after = json.loads(within(built, Why, "desk", "--json").out)
    assert ([one["stage"] for one in after["done"]], after["differs"]) == (stages, differs)


def test_steps_that_give_other_bytes_than_the_declared_ones_are_not_said_to_give_the_same(built: Path) -> None:
    write_tree(built, {"inputs/titles/snail-race.toml": small.TITLE.replace('["a1", "b1"]', '["b1", "a1"]')})
    ran = within(built, Why, "desk")
    assert "  changed  GOODS/FERN/SNAIL.ROM: made otherwise, its declared SHA-256 is the same\n" in ran.out
    assert "same bytes" not in ran.out
    assert doit(built).code == 1


def test_what_is_known_only_when_it_is_made_is_told(tmp_path: Path) -> None:
    unpinned = small.TITLE.replace(f'sha256 = "{small.sha(small.ROM)}"\n', "")
    folder = small.small_project(tmp_path, {"inputs/titles/snail-race.toml": unpinned})
    assert doit(folder).code == 0
    again = unpinned + '[[rom.steps]]\nat = 1024\nchip = "b1"\nover = true\n'
    write_tree(folder, {"inputs/titles/snail-race.toml": again})
    ran = within(folder, Why, "desk")
    assert "unknown until built: GOODS/FERN/SNAIL.ROM; later stages are skipped if its bytes do not change\n" in ran.out
    assert doit(folder).code == 0
    assert steps(folder)[0] == ("rom", "the recipe of SNAIL.ROM changed", "same")
    assert [stage for stage, _, _ in steps(folder)] == ["rom", "record", "sheet"]


def test_a_first_build_is_told_as_new_and_a_run_without_work_changes_nothing(built: Path) -> None:
    first = [(stage, "new", "new") for stage in ("rom", "plan", "config", "image", "record", "sheet")]
    assert steps(built) == first
    assert doit(built).code == 0
    assert steps(built) == first


def test_an_image_that_comes_out_equal_is_told_as_such(built: Path) -> None:
    with (built / "build/cards/desk/card.img").open("r+b") as file:
        file.write(b"?")
    assert doit(built).code == 0
    assert steps(built) == [("image", "card.img was changed by another program", "same")]


def test_a_chain_goes_on_through_the_runs_that_it_takes(built: Path) -> None:
    change_chip(built)
    assert doit(built, "rom:snail-race").code == 0
    assert doit(built, "record:desk").code == 0
    assert doit(built, "sheet:desk").code == 0
    assert [stage for stage, _, _ in steps(built)] == ["rom", "plan", "image", "record", "sheet"]


def test_what_a_killed_run_did_is_part_of_the_chain(built: Path) -> None:
    project = build_in(built)
    Notes(project).begin("rom", "snail-race", "chip b1 changed")("snail-race: 1 ROM file")
    with (built / "build/state/reasons.lines").open("ab") as file:
        file.write(b'\n{"stage": "plan", "it')  # cut off in the middle of a line
    (built / "build/cards/desk/sheet.html").unlink()
    assert doit(built).code == 0
    assert steps(built) == [("rom", "chip b1 changed", "same"), ("sheet", "sheet.html is gone", "new")]
    assert not (built / "build/state/reasons.lines").exists()


def test_a_run_of_several_processes_notes_the_same(tmp_path: Path) -> None:
    folder = small.small_project(tmp_path)
    assert doit(folder, "-n", "2").code == 0
    assert [stage for stage, _, _ in steps(folder)] == ["rom", "plan", "config", "image", "record", "sheet"]


def test_of_a_card_that_was_never_built_everything_is_new(tmp_path: Path) -> None:
    told = within(small.small_project(tmp_path), Why, "desk").out
    assert told == (
        "rom     snail-race: new\nplan    desk: new\nconfig  desk: new\nimage   desk: new\n"
        "record  desk: new\nsheet   desk: new\n"
    )


@pytest.mark.parametrize(
    "kept", [None, "", "{", "[]", '{"cardkiln-reasons": 1, "cards": {"desk": {"steps": [5], "differs": []}}}']
)
def test_where_the_notes_are_damaged_or_gone_it_is_not_known_and_all_else_is_as_it_was(
    built: Path, kept: str | None
) -> None:
    notes = built / "build/state/reasons.json"
    notes.unlink() if kept is None else notes.write_text(kept, encoding="utf-8")
    assert within(built, Why, "desk").out == UNKNOWN
    ran = doit(built)
    assert (ran.code, ran.err) == (0, "")
    assert "up to date" in ran.out
    assert steps(built) == []
    (built / "build/cards/desk/sheet.html").unlink()
    assert doit(built).code == 0
    assert steps(built) == [("sheet", "sheet.html is gone", "new")]


def test_the_notes_hold_nothing_of_day_or_machine(tmp_path: Path) -> None:
    folders = [small.small_project(tmp_path / name) for name in ("one", "other")]
    texts = set()
    for folder, zone in zip(folders, ("UTC0", "XXX-5"), strict=True):
        assert doit(folder, TZ=zone).code == 0
        texts.add((folder / "build/state/reasons.json").read_text(encoding="utf-8"))
    assert len(texts) == 1


def test_jobs_are_the_cards_with_their_tasks(tmp_path: Path) -> None:
    folder = small.small_project(tmp_path)
    assert json.loads(own_command(folder, "jobs", "--json").out) == {
        "cardkiln-jobs": 1,
        "jobs": [{"card": "desk", "task": "sheet:desk", "board": "oak", "stations": [], "image-sha256": ""}],
    }
    ran = own_command(folder, "jobs")
    assert (ran.code, ran.out) == (0, "sheet:desk: board oak\n")
