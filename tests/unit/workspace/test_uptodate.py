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
    watched = {str(path): View([path]).digest for path in (tmp_path / "inputs", tmp_path / "kept")}
    made = view_of_made(tmp_path).digest
    dodo = str(tmp_path / "dodo.py")
    remember(tmp_path, Current(dodo=dodo, watched=watched, places=(), made=made, told="told", warned=""))
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


def test_a_run_with_nothing_to_do_opens_no_manifest_and_no_output(tmp_path: Path) -> None:
    strace = require("strace")
    folder = small.small_project(tmp_path / "project")
    time.sleep(0.2)
    assert doit(folder).code == 0
    trace = tmp_path / "trace"
    traced = subprocess.run(
        [strace, "-f", "-e", "trace=open,openat", "-o", str(trace), *command(folder)],
        capture_output=True,
        text=True,
        check=True,
    )
    assert re.fullmatch(r"check .*no problems\nup to date \(\d+\.\d s\)\n", traced.stdout)
    opened = re.findall(r'"([^"]+)", (O_RDONLY[^)]*)\)', trace.read_text(encoding="utf-8"))
    contents = {name for name, flags in opened if str(folder) in name and "O_DIRECTORY" not in flags}
    assert contents == {str(folder / FILE)}
