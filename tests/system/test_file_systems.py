"""Projects on file systems with other rules: letter case, no links, no holes, no permissions, long paths.

These are what Linux has for the rules of other systems; which machine has which is in DEVELOPERS.md.
"""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support import small
from tests.support.cli import ROOT, doit, own_command
from tests.support.mounts import KINDS, mounted
from tests.unit.commands.test_publish import WITH_RIGHTS

IGNORES_CASE = ("vfat", "exfat", "ext4 with casefold")


def sums(folder: Path) -> dict[str, str]:
    """Return the SHA-256 of what a build gave; a path of the machine would show in it."""
    files = sorted((folder / "build/cards/desk").iterdir())
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


@pytest.fixture(scope="module")
def expected(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    folder = small.small_project(tmp_path_factory.mktemp("here"), WITH_RIGHTS)
    assert doit(folder).code == 0
    return sums(folder)


@pytest.fixture(params=KINDS)
def elsewhere(request: pytest.FixtureRequest) -> Iterator[tuple[str, Path]]:
    with mounted(request.param) as folder:
        yield request.param, folder


def test_a_project_is_built_changed_checked_and_handed_over(
    elsewhere: tuple[str, Path], expected: dict[str, str]
) -> None:
    kind, root = elsewhere
    folder = small.small_project(root / "club", WITH_RIGHTS)
    built = doit(folder)
    assert (built.code, built.err) == (0, "")
    assert "prune" not in built.out
    assert sums(folder) == expected
    again = doit(folder)
    assert (again.code, again.err) == (0, "")
    assert again.out.splitlines()[1].startswith("up to date")
    (folder / "build/cards/desk/card.img").write_bytes(b"damaged")
    assert doit(folder).code == 0
    assert sums(folder) == expected
    for command in (
        ("verify", "build/cards/desk/card.img"),
        ("look", "build/cards/desk/card.img", "--json"),
        ("publish", "desk"),
        ("receive", "dist/desk-1"),
        ("prove", "desk"),
        ("new", "station", "window"),
        ("start", "own"),
    ):
        ran = own_command(folder, *command)
        assert (ran.code, ran.err) == (0, ""), command
    assert {path.name for path in root.iterdir()} == {"club"}, kind


def test_a_name_that_changes_in_letter_case_only_is_one_file_or_two_and_nothing_is_lost(
    elsewhere: tuple[str, Path],
) -> None:
    kind, root = elsewhere
    folder = small.small_project(root / "club")
    assert doit(folder).code == 0
    for path, old, new in (
        ("inputs/titles/snail-race.toml", "SNAIL.ROM", "Snail.Rom"),
        ("inputs/boards/oak.toml", "SIGN.TXT", "Sign.Txt"),
    ):
        text = (folder / path).read_text("utf-8")
        (folder / path).write_text(text.replace(old, new), "utf-8")
    changed = doit(folder)
    assert changed.code == 0
    assert ("prune" in changed.out) is (kind not in IGNORES_CASE)
    again = doit(folder)
    assert (again.code, again.err) == (0, "")
    assert again.out.splitlines()[1].startswith("up to date")
    for path in ("build/roms/snail-race/Snail.Rom", "build/configs/desk/FABRICS/FERN/Sign.Txt"):
        assert (folder / path).is_file()
    plain = small.small_project(folder / "plain")
    for path in ("inputs/titles/snail-race.toml", "inputs/boards/oak.toml"):
        shutil.copyfile(folder / path, plain / path)
    assert doit(plain).code == 0
    assert sums(plain) == sums(folder)


def test_paths_longer_than_260_characters_are_paths(tmp_path: Path, expected: dict[str, str]) -> None:
    """260 is what Windows takes by default (MAX_PATH, Microsoft Learn, "Maximum Path Length Limitation")."""
    folder = tmp_path / ("deep " * 20).strip() / ("deeper " * 20).strip() / ("still deeper " * 10).strip()
    assert len(str(folder)) > 260
    folder.mkdir(parents=True)
    small.small_project(folder, WITH_RIGHTS)
    shutil.copy(ROOT / "dodo.py", folder)
    for _ in range(2):
        ran = doit(folder)
        assert (ran.code, ran.err) == (0, "")
    assert ran.out.splitlines()[1].startswith("up to date")
    assert sums(folder) == expected


def test_names_that_would_share_a_short_name_stay_apart_on_the_card_and_below_build(tmp_path: Path) -> None:
    """Numeric tails: Microsoft FAT32 File System Specification 1.03 (2000), "The Basis-Name Generation Algorithm"."""
    names = ["LONGNA~1.TXT", "Long name one.txt", "Long name two.txt", "LONGNA~2.TXT"]
    configs = "".join(
        f'[[configs]]\npath = "{name}"\nline-ending = "lf"\nlines = ["{number}"]\n' for number, name in enumerate(names)
    )
    folder = small.small_project(tmp_path, {"inputs/cards/desk.toml": small.CARD + configs})
    assert doit(folder).code == 0
    for number, name in enumerate(names):
        assert (folder / "build/configs/desk" / name).read_text("ascii") == f"{number}\n"
    assert own_command(folder, "verify", "build/cards/desk/card.img").out == "desk: good\n"
