from __future__ import annotations

import contextlib
import inspect
import os
import socket
import sys
from pathlib import Path

import pytest

from pipeline.errors import Place, Problem
from pipeline.sources.files.walk import walk
from tests.support.needs import public_folder, without_privileges

needs_links = pytest.mark.skipif(os.name == "nt", reason="links need a privilege there")
needs_modes = pytest.mark.skipif(os.name == "nt", reason="permissions are those of POSIX")


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
    assert [str(problem) for problem in visits[1].problems] == [
        f"{tmp_path / 'a/self'}: is a link that leads back to itself\n  hint: remove the link"
    ]


needs_pipes = pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="there are no pipes in folders there")
needs_mounts = pytest.mark.skipif(sys.platform != "linux", reason="only Linux lists its mounts in a file")


def problems(place: Path) -> list[str]:
    return [str(problem) for visit in walk(os.fsencode(place)) for problem in visit.problems]


@needs_pipes
def test_pipes_sockets_and_devices_are_no_files_and_as_a_place_refused_at_once(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with socket.socket(socket.AF_UNIX) as listening, contextlib.chdir(tmp_path):
        listening.bind("socket")
    assert names(tmp_path) == []
    assert problems(tmp_path) == []
    for place, what in (
        (tmp_path / "pipe", "a pipe (FIFO)"),
        (tmp_path / "socket", "a socket"),
        (Path(os.devnull), "a character device"),
    ):
        assert problems(place) == [
            f"{place}: is {what}; it is not searched\n  hint: name a folder, an archive or a file"
        ]
        assert names(place) == []


@needs_mounts
def test_a_pseudo_file_system_is_no_place(tmp_path: Path) -> None:
    for place in (Path("/proc"), Path("/proc/self/fd")):
        assert problems(place) == [
            f"{place}: is on a pseudo file system of the kernel; it is not searched\n"
            "  hint: name a folder in which files are stored"
        ]
        assert names(place) == []
    (tmp_path / "link").symlink_to("/proc/version")
    assert names(tmp_path) == []


@needs_mounts
def test_a_whole_disk_is_walked_without_its_pseudo_file_systems(monkeypatch: pytest.MonkeyPatch) -> None:
    """The top of the disk as it is, every folder below it empty but for those where file systems are mounted."""
    top = {entry.path for entry in os.scandir(b"/")}
    entered: list[bytes] = []
    scandir = os.scandir

    def listing(path: bytes) -> object:
        entered.append(path)
        return scandir(b"/") if path == b"/" else contextlib.nullcontext(())

    monkeypatch.setattr(os, "scandir", listing)
    assert [problem for visit in walk(b"/") for problem in visit.problems] == []
    assert entered[0] == b"/"
    assert b"/proc" in top
    assert {b"/proc", b"/sys", b"/dev"}.isdisjoint(entered)
    assert b"/usr" in entered


def test_folders_that_are_to_be_passed_over_are_not_entered(tmp_path: Path) -> None:
    for name in ("build/cards/x", "sources/build/x", "sources/y"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).touch()
    passed_over = {os.fsencode(tmp_path / "build")}
    walked = [path for visit in walk(os.fsencode(tmp_path), passed_over) for path, _ in visit.files]
    assert walked == [os.fsencode(tmp_path / name) for name in ("sources/y", "sources/build/x")]
    named = [path for visit in walk(os.fsencode(tmp_path / "build"), passed_over) for path, _ in visit.files]
    assert named == [os.fsencode(tmp_path / "build/cards/x")]


@needs_modes
def test_a_folder_that_cannot_be_read_is_a_problem_and_the_rest_is_walked() -> None:
    with public_folder() as folder:
        (folder / "closed").mkdir(mode=0)
        (folder / "open").touch()
        with without_privileges():
            problems = [problem for visit in walk(os.fsencode(folder)) for problem in visit.problems]
            assert names(folder) == ["open"]
    hint = "make it readable, or leave it out of the places"
    what = "cannot be read: Permission denied"
    assert problems == [Problem(Place(file=str(folder / "closed")), what, hint)]


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
