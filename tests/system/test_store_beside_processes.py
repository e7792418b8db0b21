"""``doit -n`` with a store: what it has is taken, the rest is built and put there, whatever the number of processes."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from pipeline.store.store import Store
from tests.support import small
from tests.support.building import build_in
from tests.support.cli import ROOT, Ran, call, command, digests, doit

TITLES = [f"race-{number}" for number in range(6)]
LACKING = TITLES[5]
"""The title whose chips lie in no source."""

SCRIPT = """
import sys
sys.path.insert(0, {root!r})
from pipeline.tasks import *
from pipeline.engine import ahead
from pipeline.sources.search import matcher
from pipeline.store.store import Store

ahead.SHARE, matcher.WORTH_DIVIDING, matcher.BATCH_SOURCES = 1, 0, 2  # so that each process has some of a few titles

def fails(call, keys):
    whole = getattr(Store, call)
    def called(store, path, *rest):
        for key in keys:
            if key in path:
                raise ConnectionError("gone at " + key)
        return whole(store, path, *rest)
    setattr(Store, call, called)

fails("_stored", {unreadable!r})
fails("_put", {unwritable!r})
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """What the store has, and what comes of it.

    ``has``: titles in it; of ``damaged`` a bit is another, and of ``other`` all bytes are, so that they are not as
    declared. ``unreadable``, ``unwritable``: at these titles it is lost. ``taken``: titles that come from it.
    ``warning``: what is told once, and the title in it.
    """

    has: Sequence[str] = ()
    damaged: Sequence[str] = ()
    other: Sequence[str] = ()
    unreadable: Sequence[str] = ()
    unwritable: Sequence[str] = ()
    taken: Sequence[str] = ()
    warning: tuple[str, str] | None = None


NOT_READ = (
    "warning: CARDKILN_STORE: the store cannot be read: ConnectionError: gone at {key}\n"
    "  hint: what it may hold is assembled here\n"
)
NOT_WRITTEN = (
    "warning: CARDKILN_STORE: the store cannot be written: ConnectionError: gone at {key}\n"
    "  hint: to only read it, set CARDKILN_STORE_READ_ONLY=1\n"
)
CASES = {
    "empty": Case(),
    "has all": Case(has=TITLES, taken=TITLES),
    "has some": Case(has=["race-1", "race-3", LACKING], taken=["race-1", "race-3", LACKING]),
    "has all but what no source has": Case(has=TITLES[:5], taken=TITLES[:5]),
    "has bad objects": Case(
        has=TITLES, damaged=["race-0", LACKING], other=["race-2"], taken=["race-1", "race-3", "race-4"]
    ),
    "cannot be read": Case(has=TITLES, unreadable=TITLES, warning=(NOT_READ, "race-0")),
    "is lost while it is read": Case(
        has=TITLES, unreadable=TITLES[2:], taken=["race-0", "race-1"], warning=(NOT_READ, "race-2")
    ),
    "cannot be written": Case(has=["race-0"], unwritable=TITLES, taken=["race-0"], warning=(NOT_WRITTEN, "race-1")),
}


def chips(title: str) -> dict[str, bytes]:
    return {name: f"{name} of {title}".encode().ljust(1024, b"-") for name in ("a1", "b1")}


def rom(title: str) -> bytes:
    return b"".join(chips(title).values())


def project(folder: Path) -> Path:
    """Make a project of three cards with six titles, each with chips of its own."""
    files: dict[str, str | bytes] = {}
    for number, title in enumerate(TITLES):
        text = small.TITLE.replace("SNAIL.ROM", f"RACE{number}.ROM")
        text = text.replace(small.sha(small.ROM), small.sha(rom(title)))
        for old, (name, data) in zip((small.CHIP_A, small.CHIP_B), chips(title).items(), strict=True):
            text = text.replace(small.sha(old), small.sha(data))
            if title != LACKING:
                files[f"inputs/files/attic/{title}/{name[0]}.bin"] = data
        files[f"inputs/titles/{title}.toml"] = text
    for card, titles in {"desk": TITLES[:4], "shelf": TITLES[2:5], "attic": TITLES[4:]}.items():
        files[f"inputs/cards/{card}.toml"] = small.CARD.replace('["snail-race"]', json.dumps(titles))
    return small.small_project(folder, files)


def keys(folder: Path, titles: Sequence[str]) -> list[str]:
    """Return the key of each title's ROM file."""
    build = build_in(folder)
    found = [build.title(build.inputs.manifest.titles[title]) for title in titles]
    return [roms.recipe.store_key(roms.title.roms[0]) for roms in found]


def fill(folder: Path, case: Case) -> None:
    """Put ROM files into the project's store."""
    place = folder / "store"
    for title, key in zip(case.has, keys(folder, case.has), strict=True):
        assert Store(str(place)).write(key, rom(title).swapcase() if title in case.other else rom(title))
        if title in case.damaged:
            path = place / "roms" / key[:2] / key
            stored = path.read_bytes()
            path.write_bytes(stored[:-1] + bytes([stored[-1] ^ 1]))


def built(folder: Path, case: Case, processes: int, *tasks: str) -> Ran:
    """Build a project with its store; what is printed is without times."""
    script = SCRIPT.format(
        root=str(ROOT), unreadable=keys(folder, case.unreadable), unwritable=keys(folder, case.unwritable)
    )
    (folder / "dodo.py").write_text(script, encoding="utf-8")
    words = [*command(folder)[:3], "run", "-n", str(processes), *tasks]
    ran = call(folder, words, CARDKILN_STORE=str(folder / "store"))
    return replace(ran, out=re.sub(r"in [\d.]+ s", "", ran.out))


def missing(title: str) -> str:
    """Return what is said of the chips of a title that no source has."""
    return "".join(
        f"inputs/titles/{title}.toml:{line}:1: chips.{name}: chip {name} of Snail race is in none of the 1 place "
        f"searched: 1 KiB, SHA-256 {small.sha(data)}\n  hint: add the folder or archive it is in to sources.toml\n"
        for line, (name, data) in zip((3, 6), chips(title).items(), strict=True)
    )


@pytest.fixture(scope="module")
def without(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """What is built without a store, by relative path, where every chip is there."""
    folder = project(tmp_path_factory.mktemp("without"))
    for name, data in chips(LACKING).items():
        (folder / f"inputs/files/attic/{name}.bin").write_bytes(data)
    assert doit(folder).code == 0
    return digests(folder / "build/roms") | digests(folder / "build/cards", "*/card.img")


@pytest.mark.parametrize("case", CASES.values(), ids=CASES)
def test_one_process_and_three_take_what_it_has_and_build_the_rest(
    case: Case, without: dict[str, str], tmp_path: Path
) -> None:
    alone, beside = project(tmp_path / "alone"), project(tmp_path / "beside")
    for folder in (alone, beside):
        fill(folder, case)
    ran = built(alone, case, 1)
    assert built(beside, case, 3) == ran
    lacks = LACKING not in case.taken
    assert ran.code == lacks
    assert [line for line in ran.out.splitlines() if line.startswith("rom ")] == [
        f"rom     {title}: 1 ROM file {'from the store' if title in case.taken else 'from 2 chips'}, 2 KiB"
        for title in (TITLES[4], LACKING, *TITLES[:4])
        if title != LACKING or not lacks
    ]
    warning = case.warning[0].format(key=keys(alone, [case.warning[1]])[0]) if case.warning else ""
    assert ran.err.replace("\n\n", "\n") == warning + (missing(LACKING) if lacks else "")
    for folder in (alone, beside):
        made = digests(folder / "build/roms") | digests(folder / "build/cards", "*/card.img")
        left_out = {f"{LACKING}/RACE5.ROM", "attic/card.img"} if lacks else set()
        assert made == {name: sha256 for name, sha256 in without.items() if name not in left_out}
    assert digests(beside / "store") == digests(alone / "store")


@pytest.mark.parametrize("processes", [1, 3])
def test_where_it_has_all_titles_no_source_is_searched(processes: int, tmp_path: Path) -> None:
    folder = project(tmp_path)
    fill(folder, CASES["has all"])
    ran = built(folder, CASES["has all"], processes, *(f"rom:{title}" for title in TITLES))
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.splitlines() == [
        "check   1 board, 1 core, 7 titles, 3 cards: no problems",
        *(f"rom     {title}: 1 ROM file from the store, 2 KiB" for title in TITLES),
        "done ",
    ]
