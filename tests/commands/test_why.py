"""``doit why`` and ``doit jobs``: what is due, and what there is to build."""

from __future__ import annotations

import json
from pathlib import Path

from tests import small
from tests.running import digests, doit, own_command, write_tree

MORE = "what these make can make later stages due; where it comes out equal, nothing more is done\n"


def test_what_is_due_is_told_before_it_is_done_and_nothing_is_built(tmp_path: Path) -> None:
    folder = small.small_project(tmp_path)
    assert doit(folder).code == 0
    ran = own_command(folder, "why", "desk")
    assert (ran.code, ran.out, ran.err) == (0, "desk: nothing to do, all is as declared\n", "")

    chip = bytes(1024)
    title = small.TITLE.replace(small.sha(small.CHIP_B), small.sha(chip))
    title = title.replace(small.sha(small.ROM), small.sha(small.CHIP_A + chip))
    write_tree(folder, {"inputs/titles/snail-race.toml": title, "inputs/files/attic/new.bin": chip})
    before = digests(folder / "build/cards")
    ran = own_command(folder, "why", "desk")
    assert ran.code == 0
    assert ran.out.startswith(
        "rom     snail-race: chip b1 changed\nplan    desk: the card's contents or layout changed\n"
    )
    assert ran.out.endswith(MORE)
    due = json.loads(own_command(folder, "why", "desk", "--json").out)
    assert due["due"][0] == {"stage": "rom", "item": "snail-race", "why": "chip b1 changed"}
    assert digests(folder / "build/cards") == before


def test_jobs_are_the_cards_with_their_tasks(tmp_path: Path) -> None:
    folder = small.small_project(tmp_path)
    assert json.loads(own_command(folder, "jobs", "--json").out) == {
        "cardkiln-jobs": 1,
        "jobs": [{"card": "desk", "task": "sheet:desk", "board": "oak", "stations": [], "image-sha256": ""}],
    }
    ran = own_command(folder, "jobs")
    assert (ran.code, ran.out) == (0, "sheet:desk: board oak\n")
