"""Whatever call of a whole run fails: nothing half is left under a final name, and the next run is whole.

From nothing, and over a card that was finished; with all that ``doit`` does around the stages, and the sheet.
"""

from __future__ import annotations

import json
import os
import random
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support import small
from tests.support.cli import digests, write_tree
from tests.support.fault_injection import FAULTS
from tests.support.processes import Failed, Runs, forked_runs

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="processes are forked on POSIX alone")

SAMPLE = 4
CONFIGS = (small.CONFIG, small.CONFIG + b"; changed\r\n")
NOTHING_LEFT = "up to date"


@pytest.fixture(scope="module")
def runs() -> Iterator[Runs]:
    with forked_runs() as given:
        yield given


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return small.small_project(tmp_path, {"inputs/cards/desk.toml": small.CARD.replace("16 MiB", "4 MiB")})


def outputs(folder: Path) -> dict[str, str]:
    """Return the digests of everything below ``build`` that is no state."""
    return {name: sha256 for name, sha256 in digests(folder / "build").items() if not name.startswith("state/")}


DONE_WITHOUT = ("the index of source files cannot be used", "this build cannot be added to the history of builds")


def assert_told(ran: Failed, what: str) -> None:
    """Assert that a run in which a call failed said so in a line or two, or did without it.

    The index of source files is only a cache, and the history of builds is only for verify: a run that cannot use
    one of them warns and goes on.
    """
    assert ran.code in (0, 3), f"{what}: {ran.err}"
    assert "Traceback" not in ran.err, f"{what}: {ran.err}"
    assert len(ran.err.splitlines()) <= 2, f"{what}: {ran.err}"
    if any(text in ran.err for text in DONE_WITHOUT):
        assert ran.code == 0, f"{what}: {ran.err}"
    else:
        assert bool(ran.err) == (ran.code == 3), f"{what}: {ran.err}"


def assert_nothing_half(folder: Path, good: list[dict[str, str]], what: str) -> None:
    """Assert that each output is one of the whole ones, that every state reads, and that nothing lies around."""
    for name, sha256 in outputs(folder).items():
        assert sha256 in {one.get(name) for one in good}, f"{what}: {name} is half"
    assert not list((folder / "build").rglob("*.part")), what
    for path in (folder / "build/state").rglob("*.json"):
        json.loads(path.read_bytes())


def first_builds(folder: Path, runs: Runs, fault: str, sample: int | None) -> None:
    """Fail calls of a first build, each in a folder in which nothing was built, and build again after it."""
    whole = runs(folder)
    good, calls = outputs(folder), whole.calls
    assert (whole.code, len(good)) == (0, 8)
    assert len(calls) > 70
    for number in chosen(len(calls), fault, sample):
        what = f"{fault} at {number}, {' '.join(calls[number - 1])}"
        shutil.rmtree(folder / "build")
        assert_told(runs(folder, fault, number), what)
        assert_nothing_half(folder, [good], what)
        again = runs(folder)
        assert (again.code, again.err) == (0, ""), what
        assert outputs(folder) == good, what
        assert NOTHING_LEFT in runs(folder).out, what


def changed_builds(folder: Path, runs: Runs, fault: str, sample: int | None) -> None:
    """Fail calls of a build of a changed card over the card before, and build again after it."""
    good = []
    for data in CONFIGS:
        write_tree(folder, {"inputs/files/system/BENCH.SET": data})
        whole = runs(folder)
        assert whole.code == 0
        good.append(outputs(folder))
    names = ("card.img", "record.json", "sheet.html")
    for turn, number in enumerate(chosen(len(whole.calls), fault, sample)):
        what, new = f"{fault} at {number}", good[turn % 2]
        write_tree(folder, {"inputs/files/system/BENCH.SET": CONFIGS[turn % 2]})
        assert_told(runs(folder, fault, number), what)
        assert_nothing_half(folder, good, what)
        now = outputs(folder)
        assert now.keys() == new.keys(), f"{what}: one of the last good outputs is gone"
        is_new = [now[f"cards/desk/{name}"] == new[f"cards/desk/{name}"] for name in names]
        assert is_new == sorted(is_new, reverse=True), f"{what}: a later output is newer than an earlier one"
        again = runs(folder)
        assert (again.code, again.err) == (0, ""), what
        assert outputs(folder) == new, what


def chosen(total: int, fault: str, sample: int | None) -> list[int]:
    """Return which calls fail, counted from 1: all of them, or the same few every time."""
    every = range(1, total + 1)
    return list(every) if sample is None else sorted(random.Random(fault).sample(every, sample))


@pytest.mark.parametrize("fault", FAULTS)
def test_a_first_build_that_fails_leaves_nothing_half(folder: Path, runs: Runs, fault: str) -> None:
    first_builds(folder, runs, fault, SAMPLE)


@pytest.mark.parametrize("fault", FAULTS)
def test_a_changed_build_that_fails_leaves_what_was_good(folder: Path, runs: Runs, fault: str) -> None:
    changed_builds(folder, runs, fault, SAMPLE)


@pytest.mark.long
@pytest.mark.parametrize("fault", FAULTS)
def test_a_first_build_that_fails_anywhere_leaves_nothing_half(folder: Path, runs: Runs, fault: str) -> None:
    first_builds(folder, runs, fault, None)


@pytest.mark.long
@pytest.mark.parametrize("fault", FAULTS)
def test_a_changed_build_that_fails_anywhere_leaves_what_was_good(folder: Path, runs: Runs, fault: str) -> None:
    changed_builds(folder, runs, fault, None)
