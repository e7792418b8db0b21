"""What a scan sees, opens and remembers."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from dataclasses import replace
from io import FileIO
from pathlib import Path

import pytest

from pipeline.errors import Place, Problem
from pipeline.model.manifest import ArchiveLimits
from pipeline.sources.files import scan as module
from pipeline.sources.files.members import list_members
from pipeline.sources.files.problems import open_file
from pipeline.sources.files.scan import Scan
from pipeline.sources.index import Index
from tests.support.needs import public_folder, without_privileges
from tests.unit.sources.zips import Hand, age, by_hand, pack, put

LIMITS = ArchiveLimits()
UNREADABLE = "make it readable, or leave it out of the places"


@pytest.fixture
def index(tmp_path: Path) -> Iterator[Index]:
    with Index(tmp_path / "state/index.sqlite") as opened:
        yield opened


@pytest.fixture
def attic(tmp_path: Path) -> Path:
    (tmp_path / "attic").mkdir()
    return tmp_path / "attic"


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Every file a scan opens, by name."""
    names: list[str] = []

    def counting(path: bytes) -> FileIO:
        names.append(os.fsdecode(path).rpartition(os.sep)[2])
        return open_file(path)

    monkeypatch.setattr(module, "open_file", counting)
    return names


def test_what_a_scan_counts(index: Index, attic: Path) -> None:
    put(attic / "a", bytes(100))
    put(attic / "deep/er/b", bytes(100))
    pack(attic / "box.zip", {"x": b"1", "y": b"2"})
    seen: list[int] = []
    assert index.scan([attic], LIMITS, seen.append) == Scan(
        files=3, archives=1, members=2, changed=3, gone=0, problems=()
    )
    assert sum(seen) == 3
    assert index.scan([attic], LIMITS) == Scan(files=3, archives=1, members=2, changed=0, gone=0, problems=())


def test_unchanged_files_are_not_opened_again(index: Index, attic: Path, opened: list[str]) -> None:
    put(attic / "a", bytes(100))
    pack(attic / "box.zip", {"x": b"1"})
    put(attic / "tiny", b"too small to be one")
    index.scan([attic], LIMITS)
    assert opened == ["a", "box.zip"]
    index.scan([attic], LIMITS)
    assert opened == ["a", "box.zip"]
    put(attic / "a", bytes(101))
    assert index.scan([attic], LIMITS).changed == 1
    assert opened == ["a", "box.zip", "a"]


def test_a_file_younger_than_two_seconds_is_looked_at_again(index: Index, attic: Path, opened: list[str]) -> None:
    (attic / "young.zip").write_bytes(by_hand(Hand(name=b"x", data=b"1")))
    for _ in range(2):
        assert index.scan([attic], LIMITS).members == 1
    assert opened == ["young.zip"] * 2
    age(attic / "young.zip")
    for _ in range(2):
        index.scan([attic], LIMITS)
    assert opened == ["young.zip"] * 3


def test_what_vanished_is_forgotten(index: Index, attic: Path) -> None:
    put(attic / "a", bytes(100))
    pack(attic / "box.zip", {"x": b"1"})
    pack(attic / "bad.zip", {}).write_bytes(b"no archive")
    assert len(index.scan([attic], LIMITS).problems) == 1
    for path in list(attic.iterdir()):
        path.unlink()
    assert index.scan([attic], LIMITS) == Scan(files=0, archives=0, members=0, changed=0, gone=3, problems=())


def test_an_archive_that_became_a_file_is_a_file(index: Index, attic: Path) -> None:
    pack(attic / "box", {"x": b"1"})
    assert index.scan([attic], LIMITS).members == 1
    put(attic / "box", bytes(100))
    assert index.scan([attic], LIMITS) == Scan(files=1, archives=0, members=0, changed=1, gone=0, problems=())


def test_archives_are_known_by_their_first_bytes_and_within_each_other_by_name(index: Index, attic: Path) -> None:
    inner = pack(attic / "inner.dat", {"x": b"1"})
    pack(attic / "outer", {"inner.zip": inner.read_bytes(), "inner.dat": inner.read_bytes(), "y": b"2"})
    scan = index.scan([attic], LIMITS)
    assert (scan.archives, scan.members) == (2, 5)


def test_places_are_folders_archives_and_files_and_a_file_counts_once(index: Index, attic: Path) -> None:
    box = pack(attic / "box.zip", {"x": b"1"})
    one = put(attic / "one", bytes(30))
    assert index.scan([box, one, attic], LIMITS).files == 2
    assert index.scan([attic, attic], LIMITS) == Scan(files=2, archives=1, members=1, changed=0, gone=0, problems=())


def test_a_missing_place_is_named_and_the_others_are_used(index: Index, attic: Path) -> None:
    put(attic / "a", b"1")
    scan = index.scan([attic.parent / "gone", attic], LIMITS)
    hint = "correct the place, or plug in the drive it is on"
    assert scan.problems == (Problem(Place(file=str(attic.parent / "gone")), "this place does not exist", hint),)
    assert scan.files == 1


def test_hostile_and_broken_archives_are_named_on_every_scan_and_the_rest_is_used(index: Index, attic: Path) -> None:
    put(attic / "a.zip", by_hand(Hand(name=b"../x")))
    put(attic / "b.zip", by_hand(Hand(name=b"x"))[:-1])
    put(attic / "c.zip", by_hand(Hand(name=b"x", flags=1), Hand(name=b"y", data=b"2")))
    pack(attic / "good.zip", {"z": b"3"})
    put(attic / "page.zip", b"<html>")
    put(attic / "._good.zip", b"\0\5\x16\7")
    first = index.scan([attic], LIMITS)
    assert [(Path(p.place.file).name, p.what) for p in first.problems] == [
        ("a.zip", "is refused: the name '../x' leads out of the archive by \"..\""),
        ("b.zip", "is cut off: the directory at its end is missing"),
        ("c.zip", "the member 'x' is encrypted; it is not used"),
        ("page.zip", "is not a ZIP archive: it begins with 3C 68 74 6D"),
    ]
    assert all(problem.hint for problem in first.problems)
    assert (first.archives, first.members) == (5, 2)
    second = index.scan([attic], LIMITS)
    assert (second.problems, second.changed) == (first.problems, 0)
    pack(attic / "a.zip", {"x": b"1"})
    assert len(index.scan([attic], LIMITS).problems) == 3


def test_other_limits_make_archives_be_listed_again(index: Index, attic: Path, opened: list[str]) -> None:
    pack(attic / "box.zip", {"x": b"1", "y": b"2"})
    put(attic / "a", bytes(100))
    assert index.scan([attic], LIMITS).members == 2
    narrow = index.scan([attic], replace(LIMITS, entries=1))
    assert (narrow.members, len(narrow.problems)) == (0, 1)
    assert index.scan([attic], LIMITS).members == 2
    assert opened == ["a", "box.zip", "box.zip", "box.zip"]


def test_a_file_that_cannot_be_read_is_named_until_it_can(
    index: Index, attic: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = pack(attic / "box.zip", {"x": b"1"})
    put(attic / "other", bytes(30))

    def failing(stream: object, name: str, limits: ArchiveLimits) -> object:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(module, "list_members", failing)
    for _ in range(2):
        scan = index.scan([attic], LIMITS)
        assert scan.problems == (Problem(Place(file=str(path)), "cannot be read: Input/output error", UNREADABLE),)
        assert scan.files == 2
    monkeypatch.setattr(module, "list_members", list_members)
    assert index.scan([attic], LIMITS).members == 1


@pytest.mark.skipif(os.name == "nt", reason="permissions are those of POSIX")
def test_a_file_without_permission_is_named(index: Index) -> None:
    with public_folder() as attic:
        path = pack(attic / "box.zip", {"x": b"1"})
        path.chmod(0)
        with without_privileges():
            (problem,) = index.scan([attic], LIMITS).problems
    assert problem == Problem(Place(file=str(path)), "cannot be read: Permission denied", UNREADABLE)


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="names are Unicode there")
def test_a_name_that_is_no_text_is_indexed(index: Index, attic: Path) -> None:
    put(attic / os.fsdecode(b"\xff.zip"), b"<html>")
    pack(attic / os.fsdecode(b"\xfe"), {"x": b"1"})
    scan = index.scan([attic], LIMITS)
    assert (scan.files, scan.members) == (2, 1)
    assert scan.problems[0].place.file == f"{attic}/\\udcff.zip"
    assert index.scan([attic], LIMITS).changed == 0
