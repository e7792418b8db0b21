"""The short way of a run with nothing to do: taken only while nothing at all has changed."""

from __future__ import annotations

import os
import re
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.workspace.uptodate import FILE, Current, View, remember, still_current, view_of_made
from tests.strangers.tools import require
from tests.support import small
from tests.support.cli import command, doit, write_tree


@pytest.fixture
def base(tmp_path: Path) -> Path:
    """Return a folder in which everything was seen to be current."""
    write_tree(tmp_path, {"inputs/cards/a.toml": "a", "inputs/files/b": "b", "build/cards/a/card.img": "image"})
    write_tree(tmp_path, {"build/state/image/a.json": "{}", "dodo.py": ""})
    manifests, watched = (View([path]).seen for path in (tmp_path / "inputs", tmp_path / "kept"))
    current = Current(
        dodo=str(tmp_path / "dodo.py"),
        manifests=manifests,
        values="",
        watched=watched,
        places=(),
        made=view_of_made(tmp_path).digest,
        told="told",
        warned="",
    )
    remember(tmp_path, current)
    return tmp_path


def current(base: Path) -> bool:
    return still_current(base, base / "dodo.py") is not None


def test_where_nothing_changed_all_is_current(base: Path) -> None:
    assert current(base)


def test_state_that_changes_by_itself_does_not_count(base: Path) -> None:
    write_tree(base, {"build/state/lock": "", "build/state/index.sqlite": "x"})
    assert current(base)


def test_only_the_programs_own_state_is_passed_over(base: Path) -> None:
    time.sleep(0.02)  # more than a tick of the file system's clock
    for name in ("lock", "running", "current.json", "reasons.json", "index.sqlite"):
        write_tree(base, {f"inputs/files/{name}": "x"})
        assert not current(base), name
        (base / "inputs/files" / name).unlink()
        assert current(base)
    write_tree(base, {"inputs/files/__pycache__/x": "x"})
    assert not current(base)


CHANGES: dict[str, Callable[[Path], object]] = {
    "a longer manifest": lambda base: (base / "inputs/cards/a.toml").write_text("aa"),
    "a manifest of the same size": lambda base: (base / "inputs/cards/a.toml").write_text("b"),
    "a new manifest": lambda base: (base / "inputs/cards/b.toml").write_text("b"),
    "a renamed file": lambda base: (base / "inputs/files/b").rename(base / "inputs/files/c"),
    "a removed file": lambda base: (base / "inputs/files/b").unlink(),
    "a folder that was not there": lambda base: (base / "kept").mkdir(),
    "an image changed by hand": lambda base: (base / "build/cards/a/card.img").write_text("imagf"),
    "a removed image": lambda base: (base / "build/cards/a/card.img").unlink(),
    "a changed stamp": lambda base: (base / "build/state/image/a.json").write_text("[]"),
    "a file nobody made": lambda base: (base / "build/cards/a/x").write_text(""),
    "a run that was killed": lambda base: (base / "build/state/running").touch(),
    "a damaged snapshot": lambda base: (base / FILE).write_text("{"),
    "a file among the outputs named as state is": lambda base: (base / "build/cards/a/lock").touch(),
    "a file among the stamps named as state is": lambda base: (base / "build/state/image/lock").touch(),
}


@pytest.mark.parametrize("change", CHANGES.values(), ids=CHANGES)
def test_any_change_is_seen(change: Callable[[Path], object], base: Path) -> None:
    time.sleep(0.02)  # more than a tick of the file system's clock
    change(base)
    assert not current(base)


@pytest.mark.skipif(os.name != "posix", reason="only POSIX has a time of change that cannot be set")
def test_a_modification_time_put_back_is_seen(base: Path) -> None:
    path = base / "inputs/cards/a.toml"
    before = path.stat()
    time.sleep(0.02)
    path.write_text("b")
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert not current(base)


def test_another_environment_is_seen(base: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1")
    assert not current(base)


def test_tasks_from_elsewhere_are_not_these(base: Path) -> None:
    assert still_current(base, base / "other.py") is None


def test_what_was_changed_just_now_may_change_again_unseen(tmp_path: Path) -> None:
    write_tree(tmp_path, {"fine": "", "coarse": ""})
    os.utime(tmp_path / "coarse", ns=(0, time.time_ns()))
    assert not View([tmp_path]).settled_before(time.time_ns())
    assert View([tmp_path]).settled_before(time.time_ns() + 3_000_000_000)


@pytest.mark.skipif(os.name != "posix", reason="only POSIX has a time of change that cannot be set")
def test_a_file_removed_just_now_counts_as_a_change(tmp_path: Path) -> None:
    write_tree(tmp_path, {"kept": "", "removed": ""})
    time.sleep(0.2)
    before = time.time_ns()
    (tmp_path / "removed").unlink()
    assert View([tmp_path]).settled_before(before)
    assert not View([tmp_path], listings=True).settled_before(before)


def opened_by(folder: Path, trace: Path) -> tuple[str, set[str]]:
    """Run doit, and return what it says, and the files below the folder that it reads, relative to it."""
    strace = require("strace")
    traced = subprocess.run(
        [strace, "-f", "-e", "trace=open,openat", "-o", str(trace), *command(folder)],
        capture_output=True,
        text=True,
        check=True,
    )
    opened = re.findall(r'"([^"]+)", (O_RD[^)]*)\)', trace.read_text(encoding="utf-8"))
    names = {name for name, flags in opened if "O_DIRECTORY" not in flags}
    return traced.stdout, {str(Path(name).relative_to(folder)) for name in names if name.startswith(f"{folder}/")}


NOTHING_TO_DO = r"check .*no problems\nup to date \(\d+\.\d s\)\n"


def test_a_run_with_nothing_to_do_opens_no_manifest_and_no_output(tmp_path: Path) -> None:
    folder = small.small_project(tmp_path / "project")
    time.sleep(0.2)
    assert doit(folder).code == 0
    said, opened = opened_by(folder, tmp_path / "trace")
    assert re.fullmatch(NOTHING_TO_DO, said)
    assert opened == {str(FILE)}


def test_a_run_after_a_comment_opens_no_output_and_the_next_no_manifest(tmp_path: Path) -> None:
    folder = small.small_project(tmp_path / "project")
    time.sleep(0.2)
    assert doit(folder).code == 0
    write_tree(folder, {"inputs/cards/desk.toml": f"# a comment\n{small.CARD}"})
    time.sleep(0.2)
    said, opened = opened_by(folder, tmp_path / "trace")
    assert re.fullmatch(NOTHING_TO_DO, said)
    assert "inputs/cards/desk.toml" in opened
    assert not [name for name in opened if name.startswith(("build/cards", "build/roms", "inputs/files"))]
    assert opened_by(folder, tmp_path / "trace")[1] == {str(FILE)}


OTHERS: dict[str, tuple[dict[str, str | bytes], str]] = {
    "a value": ({"inputs/cards/desk.toml": f"# a comment\n{small.CARD.replace('Desk', 'Shelf')}"}, "record  desk"),
    "another manifest": (
        {"inputs/cards/other.toml": small.CARD.replace('label = "', 'label = "X')},
        "sheet   other",
    ),
    "an output": ({"build/cards/desk/record.json": "{}"}, "record  desk"),
    "an own file": ({"inputs/files/system/NEW.TXT": "new"}, "image   desk"),
}


@pytest.mark.parametrize(("files", "line"), OTHERS.values(), ids=OTHERS)
def test_a_comment_hides_no_other_change(files: dict[str, str | bytes], line: str, tmp_path: Path) -> None:
    folder = small.small_project(tmp_path)
    time.sleep(0.2)
    assert doit(folder).code == 0
    write_tree(folder, {"inputs/cards/desk.toml": f"# a comment\n{small.CARD}", **files})
    assert line in doit(folder).out
