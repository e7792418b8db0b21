"""All files that fit what is known of a content, whichever form they lie in."""

from __future__ import annotations

import os
import zlib
from pathlib import Path

import pytest

from pipeline.model.content import Content, Location, Sought
from pipeline.model.manifest import ArchiveLimits
from pipeline.sources.index import Index
from tests.support.cli import write_tree
from tests.unit.sources.looking import at, count_hashing, sha
from tests.unit.sources.zips import pack

A, B, C = b"a" * 64, b"b" * 64, b"c" * 32


@pytest.fixture
def index(tmp_path: Path) -> Index:
    files: dict[str, str | bytes] = {"p/4T.bin": A, "p/x/4t": B, "p/4t.rom": C, "p/14t.bin": A, "p/empty/4t.dat": b""}
    write_tree(tmp_path, files)
    pack(tmp_path / "p/box.zip", {"in/4t.hex": A, "u.bin": B})
    for path in (tmp_path / "p").rglob("*"):
        os.utime(path, (1e9, 1e9))  # long settled, so that hashes are remembered
    index = Index(tmp_path / "index.sqlite")
    index.scan([tmp_path / "p"], ArchiveLimits())
    return index


def content(data: bytes) -> Content:
    return Content(sha256=sha(data), size=len(data), crc32=zlib.crc32(data))


def test_a_name_fits_whole_with_or_without_its_ending_in_any_case(index: Index, tmp_path: Path) -> None:
    (found,) = index.fitting([Sought(names=("4t",))])
    assert found.failures == ()
    assert list(found.contents.items()) == [
        (content(A), (at(tmp_path / "p/4T.bin"), at(tmp_path / "p/box.zip", "in/4t.hex"))),
        (content(C), (at(tmp_path / "p/4t.rom"),)),
        (content(B), (at(tmp_path / "p/x/4t"),)),
    ]


def test_size_and_crc_32_narrow_and_together_need_no_name(index: Index, tmp_path: Path) -> None:
    crc32 = zlib.crc32(B)
    by_size, by_check, by_both, by_none = index.fitting(
        [
            Sought(names=("4t",), size=64),
            Sought(names=("4t",), crc32=crc32),
            Sought(names=("no such",), size=64, crc32=crc32),
            Sought(names=()),
        ]
    )
    assert list(by_size.contents) == [content(A), content(B)]
    assert list(by_check.contents) == [content(B)]
    assert by_both.contents == {content(B): (at(tmp_path / "p/x/4t"), at(tmp_path / "p/box.zip", "u.bin"))}
    assert by_none.contents == {}


def test_only_what_lies_below_a_folder_or_in_an_archive_counts(index: Index, tmp_path: Path) -> None:
    def places(below: str) -> list[Location]:
        (found,) = index.fitting([Sought(names=("4t", "4T.bin"))], tmp_path / below)
        return [place for places in found.contents.values() for place in places]

    assert places("p/x") == [at(tmp_path / "p/x/4t")]
    assert places("p/box.zip") == [at(tmp_path / "p/box.zip", "in/4t.hex")]
    assert places("p/bo") == []


def test_only_what_may_fit_is_hashed_and_once(index: Index, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    hashed = count_hashing(monkeypatch)
    for _ in range(2):
        index.fitting([Sought(names=("4t",), size=64), Sought(names=("4T.bin",))])
    assert sorted(hashed) == [
        at(tmp_path / "p/4T.bin"),
        at(tmp_path / "p/box.zip", "in/4t.hex"),
        at(tmp_path / "p/x/4t"),
    ]
