"""``doit -n``: the same lines, problems and exit code as with one process, and one message when one is killed."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from tests.support import small
from tests.support.cli import ROOT, Ran, call, command, digests, doit

TITLES = [f"snail-race-{number}" for number in range(5)]


def many(folder: Path) -> Path:
    """Return a project of six titles, of which one cannot be built, three cards, and a source that cannot be read."""
    files: dict[str, str | bytes] = {"inputs/files/attic/torn.zip": b"PK"}
    for number, title in enumerate(TITLES):
        files[f"inputs/titles/{title}.toml"] = small.TITLE.replace("SNAIL.ROM", f"SNAIL{number}.ROM")
    missing = small.TITLE.replace(small.sha(small.CHIP_B), "0" * 64).replace("SNAIL", "GONE")
    files["inputs/titles/gone.toml"] = missing
    for card, titles in {"desk": TITLES[:4], "shelf": TITLES[2:], "attic": ["gone", TITLES[0]]}.items():
        files[f"inputs/cards/{card}.toml"] = small.CARD.replace('["snail-race"]', json.dumps(titles))
    return small.small_project(folder, files)


def lines(ran: Ran) -> list[str]:
    return re.sub(r"in [\d.]+ s", "", ran.out).splitlines()


def test_several_processes_say_and_build_what_one_does(tmp_path: Path) -> None:
    one, three = many(tmp_path / "one"), many(tmp_path / "three")
    alone, beside = doit(one, "-n", "1"), doit(three, "-n", "3")
    assert (beside.code, beside.err) == (alone.code, alone.err)
    assert alone.code == 1
    assert alone.err.startswith("warning: inputs/files/attic/torn.zip: is cut off")
    assert alone.err.count("warning") == 1
    assert lines(beside) == lines(alone)
    assert digests(three / "build/cards") == digests(one / "build/cards")
    assert {path.parent.name for path in three.glob("build/cards/*/card.img")} == {"desk", "shelf"}
    assert not [*three.rglob("*.part")]


SHARED = """
import sys
sys.path.insert(0, {root!r})
from pipeline.tasks import *
from pipeline.sources.search import matcher

matcher.WORTH_DIVIDING, whole = 0, matcher.divided

def divided(count, *rest):
    print("hashed in", count, file=sys.stderr)
    return whole(count, *rest)

matcher.divided = divided
"""


@pytest.mark.parametrize("due", ["titles", "cards alone"])
@pytest.mark.parametrize("processes", [1, 3])
def test_sources_are_hashed_in_as_many_processes_as_are_asked_for(tmp_path: Path, due: str, processes: int) -> None:
    folder = small.small_project(tmp_path)
    if due == "cards alone":
        assert doit(folder, "rom:snail-race").code == 0
        (folder / "build/state/index.sqlite").unlink()
    (folder / "dodo.py").write_text(SHARED.format(root=str(ROOT)), encoding="utf-8")
    ran = call(folder, [*command(folder)[:3], "run", "-n", str(processes)])
    assert (ran.code, {*ran.err.splitlines()}) == (0, {f"hashed in {processes}"})


KILLED = """
import os, signal, sys
sys.path.insert(0, {root!r})
from pipeline.tasks import *
from pipeline.image import write as written

whole = written.write_contents

def write_contents(plan, *rest):
    if plan.card == "shelf":
        os.kill(os.getpid(), signal.SIGKILL)
    return whole(plan, *rest)

written.write_contents = write_contents
"""


@pytest.mark.parametrize("processes", ["2", "3"])
def test_a_process_that_is_killed_ends_the_run_with_one_message(tmp_path: Path, processes: str) -> None:
    folder = small.small_project(tmp_path, {f"inputs/cards/{card}.toml": small.CARD for card in ("nook", "shelf")})
    (folder / "dodo.py").write_text(KILLED.format(root=str(ROOT)), encoding="utf-8")
    ran = call(folder, [*command(folder)[:3], "run", "-n", processes])
    assert ran.code == 3
    assert ran.err == (
        "one of the processes of this run was ended by signal 9\n"
        "  hint: run again; what was finished is kept. Where memory is short, doit -n 1 takes the least\n"
    )
    assert not [*folder.rglob("*.part")]
    assert not (folder / "build/cards/shelf/card.img").exists()
    (folder / "dodo.py").unlink()
    assert doit(folder, "-n", processes).code == 0
    assert "up to date" in doit(folder).out
