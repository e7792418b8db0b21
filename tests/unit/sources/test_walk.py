from __future__ import annotations

import inspect
import os
import sys
from pathlib import Path

import pytest

from pipeline.errors import Place, Problem
from pipeline.sources.files.walk import walk

needs_links = pytest.mark.skipif(os.name == "nt", reason="links need a privilege there")
needs_modes = pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="everything is readable for this user")


def names(place: Path) -> list[str]:
    return [
        Path(os.fsdecode(path)).relative_to(place).as_posix()
        for visit in walk(os.fsencode(place))
        for path, _ in visit.files
    ]


def test_folders_are_walked_in_sorted_order_whatever_the_order_of_making(tmp_path: Path) -> None:
    for name in ("b/2", "a/9", "z", "b/c/1", ".hidden", "a/10", "Thumbs.db"):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
    assert names(tmp_path) == [".hidden", "Thumbs.db", "z", "a/10", "a/9", "b/2", "b/c/1"]


def test_a_file_is_a_place(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"abc")
    (visit,) = walk(os.fsencode(tmp_path / "a"))
    assert [(path, stat.st_size) for path, stat in visit.files] == [(os.fsencode(tmp_path / "a"), 3)]


def test_a_missing_place_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    for missing in (tmp_path / "gone", tmp_path / "file" / "below"):
        (visit,) = walk(os.fsencode(missing))
        hint = "correct the place, or plug in the drive it is on"
        assert visit.problems == [Problem(Place(file=str(missing)), "this place does not exist", hint)]
        assert visit.files == []


@needs_links
def test_links_to_folders_are_not_followed_and_links_to_files_are_files(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "a/file").write_bytes(b"abc")
    (tmp_path / "a/loop").symlink_to(tmp_path)
    (tmp_path / "a/nothing").symlink_to(tmp_path / "gone")
    (tmp_path / "a/same").symlink_to("file")
    (tmp_path / "a/self").symlink_to("self")
    visits = list(walk(os.fsencode(tmp_path)))
    assert names(tmp_path) == ["a/file", "a/same"]
    assert visits[1].links == [os.fsencode(tmp_path / "a/loop")]
    assert [problem.place.file for problem in visits[1].problems] == [str(tmp_path / "a/self")]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="there are no pipes in folders there")
def test_pipes_are_no_files(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    assert names(tmp_path) == []
    assert [visit.files for visit in walk(os.fsencode(tmp_path / "pipe"))] == [[]]


@needs_modes
def test_a_folder_that_cannot_be_read_is_a_problem_and_the_rest_is_walked(tmp_path: Path) -> None:
    (tmp_path / "closed").mkdir(mode=0)
    (tmp_path / "open").touch()
    problems = [problem for visit in walk(os.fsencode(tmp_path)) for problem in visit.problems]
    hint = "make it readable, or leave it out of the places"
    what = "cannot be read: Permission denied"
    assert problems == [Problem(Place(file=str(tmp_path / "closed")), what, hint)]
    assert names(tmp_path) == ["open"]


def test_a_folder_that_fails_is_a_problem_and_the_rest_is_walked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "bad").mkdir()
    (tmp_path / "good").mkdir()
    (tmp_path / "good/file").touch()
    scandir = os.scandir

    def failing(path: bytes) -> object:
        if path.endswith(b"bad"):
            raise OSError(5, "Input/output error")
        return scandir(path)

    monkeypatch.setattr(os, "scandir", failing)
    problems = [str(problem) for visit in walk(os.fsencode(tmp_path)) for problem in visit.problems]
    assert problems == [
        f"{tmp_path / 'bad'}: cannot be read: Input/output error\n"
        "  hint: make it readable, or leave it out of the places"
    ]
    assert names(tmp_path) == ["good/file"]


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="names are Unicode there")
def test_names_that_are_no_text_are_names(tmp_path: Path) -> None:
    path = os.fsencode(tmp_path) + b"/\xff\xfe"
    Path(os.fsdecode(path)).touch()
    assert [seen for visit in walk(os.fsencode(tmp_path)) for seen, _ in visit.files] == [path]


def test_a_deep_tree_is_no_recursion(tmp_path: Path) -> None:
    (tmp_path / "/".join("d" * 300)).mkdir(parents=True)
    limit = sys.getrecursionlimit()
    sys.setrecursionlimit(len(inspect.stack()) + 100)
    try:
        visits = sum(1 for _ in walk(os.fsencode(tmp_path)))
    finally:
        sys.setrecursionlimit(limit)
    assert visits == 301
