"""Which sources a search hashes, which of several it takes, and what it says of what is missing."""

from __future__ import annotations

import os
import sys
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.model.content import Candidate, Content, Location, Wanted
from pipeline.model.manifest import ArchiveLimits
from pipeline.sources.files.digest import Digest, digest
from pipeline.sources.files.read import read_content
from pipeline.sources.index import Index
from pipeline.sources.search import matcher
from tests.unit.sources.looking import at, count_hashing, sha, want
from tests.unit.sources.zips import Hand, age, by_hand, pack, put

LIMITS = ArchiveLimits()


@pytest.fixture
def index(tmp_path: Path) -> Iterator[Index]:
    with Index(tmp_path / "index.sqlite") as opened:
        yield opened


@pytest.fixture
def attic(tmp_path: Path) -> Path:
    (tmp_path / "attic").mkdir()
    return tmp_path / "attic"


@pytest.fixture
def hashed(monkeypatch: pytest.MonkeyPatch) -> list[Location]:
    return count_hashing(monkeypatch)


def nearest(index: Index, attic: Path, wanted: Wanted) -> Candidate | None:
    index.scan([attic], LIMITS)
    ((missing, candidate),) = index.find([wanted]).missing
    assert missing is wanted
    return candidate


# finding


def test_contents_are_found_under_any_name_in_folders_and_archives(index: Index, attic: Path) -> None:
    put(attic / "x/dump(2).bin", b"one")
    pack(attic / "box-3", {"deep/file": b"three"})
    index.scan([attic], LIMITS)
    found = index.find([want(b"one"), want(b"three")])
    assert found.locations == {
        sha(b"one"): at(attic / "x/dump(2).bin"),
        sha(b"three"): at(attic / "box-3", "deep/file"),
    }
    assert found.contents[sha(b"one")] == Content(sha256=sha(b"one"), size=3, crc32=zlib.crc32(b"one"))
    assert found.missing == ()
    assert read_content(found.locations[sha(b"three")], found.contents[sha(b"three")]) == b"three"


def test_a_whole_archive_can_be_a_wanted_content_too(index: Index, attic: Path) -> None:
    data = pack(attic / "box.zip", {"x": b"1"}).read_bytes()
    index.scan([attic], LIMITS)
    assert index.find([want(data)]).locations == {sha(data): at(attic / "box.zip")}


def test_only_sources_of_a_wanted_size_are_hashed(index: Index, attic: Path, hashed: list[Location]) -> None:
    put(attic / "right", b"12345")
    put(attic / "other", b"54321")
    put(attic / "longer", b"123456")
    pack(attic / "box.zip", {"x": b"abcde", "y": b"abcdef"})
    index.scan([attic], LIMITS)
    index.find([want(b"?????")])
    assert sorted(hashed) == [at(attic / "box.zip", "x"), at(attic / "other"), at(attic / "right")]


def test_members_of_another_crc_32_are_not_unpacked(index: Index, attic: Path, hashed: list[Location]) -> None:
    pack(attic / "box.zip", {"x": b"abcde", "y": b"12345"})
    index.scan([attic], LIMITS)
    assert index.find([want(b"12345", checked=True)]).missing == ()
    assert hashed == [at(attic / "box.zip", "y")]


def test_one_declaration_without_a_crc_32_is_enough_to_unpack(index: Index, attic: Path) -> None:
    pack(attic / "box.zip", {"x": b"abcde"})
    index.scan([attic], LIMITS)
    wrong = want(b"abcde", checked=True)
    wrong = replace(wrong, content=replace(wrong.content, crc32=1))
    assert len(index.find([wrong]).missing) == 1
    assert index.find([wrong, want(b"abcde")]).missing == ()


def test_a_wrong_crc_32_does_not_hide_a_file_and_the_true_one_is_told(index: Index, attic: Path) -> None:
    put(attic / "x", b"abcde")
    index.scan([attic], LIMITS)
    wrong = replace(want(b"abcde"), content=Content(sha256=sha(b"abcde"), size=5, crc32=1))
    found = index.find([wrong])
    assert found.missing == ()
    assert found.contents[sha(b"abcde")].crc32 == zlib.crc32(b"abcde")


def test_what_was_hashed_is_never_hashed_again(
    index: Index, attic: Path, tmp_path: Path, hashed: list[Location]
) -> None:
    put(attic / "x", b"abcde")
    put(attic / "y", b"12345")
    pack(attic / "box.zip", {"x": b"edcba"})
    wanted = [want(b"?????"), want(b"edcba")]
    for _ in range(2):
        index.scan([attic], LIMITS)
        first = index.find(wanted)
    assert len(hashed) == 3
    with Index(tmp_path / "index.sqlite") as again:
        again.scan([attic], LIMITS)
        assert again.find(wanted) == first
    assert len(hashed) == 3


def test_a_search_needs_no_new_scan_in_another_run(index: Index, attic: Path, tmp_path: Path) -> None:
    put(attic / "x", b"abcde")
    index.scan([attic], LIMITS)
    with Index(tmp_path / "index.sqlite") as again:
        assert again.find([want(b"abcde")]).missing == ()


def test_a_touched_file_is_hashed_once_more(index: Index, attic: Path, hashed: list[Location]) -> None:
    path = put(attic / "x", b"abcde")
    for touch in (False, True, False):
        if touch:
            os.utime(path, (1, 1))
        index.scan([attic], LIMITS)
        assert index.find([want(b"abcde")]).missing == ()
    assert hashed == [at(path)] * 2


def test_an_edit_within_one_tick_of_the_clock_is_noticed(index: Index, attic: Path) -> None:
    # size and modification time are the same each time, the change time often is: only not trusting young files helps
    path = attic / "x"
    for number in range(40):
        data = b"%04d" % number
        path.write_bytes(data)
        index.scan([attic], LIMITS)
        assert index.find([want(data)]).missing == ()


def test_progress_is_told_in_bytes(index: Index, attic: Path) -> None:
    put(attic / "x", b"abcde")
    pack(attic / "box.zip", {"x": b"edcba"})
    index.scan([attic], LIMITS)
    told: list[int] = []
    index.find([want(b"?????")], told.append)
    assert told == [5, 5]


# which of several


def test_the_earlier_place_then_a_file_then_the_path_decides(index: Index, tmp_path: Path) -> None:
    for name in ("one/b", "one/a/z", "two/a"):
        put(tmp_path / name, b"abcde")
    pack(tmp_path / "one/a.zip", {"a": b"abcde"})
    pack(tmp_path / "three/x.zip", {"b": b"abcde", "a": b"abcde"})
    order = [
        (["three", "one", "two"], at(tmp_path / "three/x.zip", "a")),
        (["two", "one"], at(tmp_path / "two/a")),
        (["one", "two", "three"], at(tmp_path / "one/a/z")),
    ]
    for places, expected in order:
        index.scan([tmp_path / place for place in places], LIMITS)
        for wanted in (want(b"abcde"), want(b"abcde", sized=False)):
            assert index.find([wanted]).locations == {sha(b"abcde"): expected}


def test_a_search_stops_when_nothing_is_left_to_find(
    index: Index, attic: Path, hashed: list[Location], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(matcher, "BATCH_SOURCES", 2)
    for name in "abcdef":
        put(attic / name, name.encode() * 5)
    index.scan([attic], LIMITS)
    assert index.find([want(b"bbbbb")]).missing == ()
    assert hashed == [at(attic / "a"), at(attic / "b")]


def test_a_second_member_with_what_is_found_already_is_not_unpacked(
    index: Index, attic: Path, hashed: list[Location], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(matcher, "BATCH_SOURCES", 1)
    pack(attic / "box.zip", {"a": b"abcde", "b": b"abcde", "c": b"vwxyz"})
    index.scan([attic], LIMITS)
    assert index.find([want(b"abcde", checked=True), want(b"vwxyz", checked=True)]).missing == ()
    assert hashed == [at(attic / "box.zip", "a"), at(attic / "box.zip", "c")]


# contents known by their hash alone


def test_a_content_of_unknown_size_is_looked_for_by_name_first(
    index: Index, attic: Path, hashed: list[Location]
) -> None:
    put(attic / "a.bin", b"abcde")
    put(attic / "deep/MOTH.rom", b"12345678")
    pack(attic / "box.zip", {"d/moth.ROM": b"12"})
    index.scan([attic], LIMITS)
    found = index.find([want(b"12345678", "moth.rom", sized=False)])
    assert found.contents[sha(b"12345678")].size == 8
    assert sorted(hashed) == [at(attic / "box.zip", "d/moth.ROM"), at(attic / "deep/MOTH.rom")]


def test_a_content_of_unknown_size_is_then_looked_for_everywhere_once(
    index: Index, attic: Path, hashed: list[Location]
) -> None:
    put(attic / "a.bin", b"abcde")
    put(attic / "moth.rom", b"no")
    pack(attic / "box.zip", {"x": b"12345678"})
    index.scan([attic], LIMITS)
    for _ in range(2):
        found = index.find([want(b"12345678", "moth.rom", sized=False)])
        assert found.locations == {sha(b"12345678"): at(attic / "box.zip", "x")}
        assert len(hashed) == 4  # everything, the archive itself too


def test_the_answer_does_not_depend_on_what_was_hashed_before(index: Index, attic: Path) -> None:
    put(attic / "a", b"abcde")
    put(attic / "z/moth.rom", b"abcde")
    index.scan([attic], LIMITS)
    by_name, missing = want(b"abcde", "moth.rom", sized=False), want(b"?", sized=False)
    first = index.find([by_name])
    index.find([missing])  # hashes everything
    assert index.find([by_name]) == first
    assert first.locations == {sha(b"abcde"): at(attic / "z/moth.rom")}


def test_a_content_wanted_with_and_without_size_is_one(index: Index, attic: Path, hashed: list[Location]) -> None:
    put(attic / "a", b"abcde")
    put(attic / "b", b"other")
    put(attic / "c", b"abc")
    index.scan([attic], LIMITS)
    assert index.find([want(b"abcde"), want(b"abcde", "c", sized=False)]).missing == ()
    assert at(attic / "c") not in hashed


# missing


def test_nothing_near_is_no_candidate(index: Index, attic: Path) -> None:
    put(attic / "x", b"abc")
    assert nearest(index, attic, want(b"abcde", "moth.rom")) is None


def test_the_same_hash_of_another_size_than_declared(index: Index, attic: Path) -> None:
    put(attic / "x", b"abcde")
    index.scan([attic], LIMITS)
    wrong = replace(want(b"abcde"), content=Content(sha256=sha(b"abcde"), size=1024))
    found = index.find([wrong, want(b"abcde")])
    why = "same SHA-256, but it has 5 bytes; 1,024 are declared"
    assert found.missing == ((wrong, Candidate(location=at(attic / "x"), why=why)),)


def test_the_same_crc_32_but_another_hash(index: Index, attic: Path) -> None:
    pack(attic / "box.zip", {"x": b"abcde"})
    put(attic / "moth.rom", b"vwxyz")
    typo = Content(sha256="0" * 64, size=5, crc32=zlib.crc32(b"abcde"))
    wanted = replace(want(b"", "moth.rom"), content=typo)
    expected = f"same CRC-32 ({zlib.crc32(b'abcde'):08x}) and size (5 bytes), but its SHA-256 is {sha(b'abcde')}"
    assert nearest(index, attic, wanted) == Candidate(location=at(attic / "box.zip", "x"), why=expected)
    put(attic / "a", b"abcde")
    assert nearest(index, attic, wanted) == Candidate(location=at(attic / "a"), why=expected)


def test_the_same_crc_32_but_another_size(index: Index, attic: Path) -> None:
    pack(attic / "box.zip", {"x": b"abcde"})
    wanted = replace(want(b""), content=Content(sha256=sha(b"abcde"), size=6, crc32=zlib.crc32(b"abcde")))
    why = f"same CRC-32 ({zlib.crc32(b'abcde'):08x}), but it has 5 bytes instead of 6"
    assert nearest(index, attic, wanted) == Candidate(location=at(attic / "box.zip", "x"), why=why)


def test_the_same_name_and_size(index: Index, attic: Path) -> None:
    put(attic / "a/moth.rom", b"longer than that")
    put(attic / "b/Moth.Rom", b"vwxyz")
    why = f"same name and size (5 bytes), but its SHA-256 is {sha(b'vwxyz')}"
    assert nearest(index, attic, want(b"abcde", "moth.rom")) == Candidate(location=at(attic / "b/Moth.Rom"), why=why)


def test_the_same_name_and_size_in_an_archive_with_another_crc_32(index: Index, attic: Path) -> None:
    pack(attic / "box.zip", {"d/moth.rom": b"vwxyz"})
    ours, theirs = zlib.crc32(b"abcde"), zlib.crc32(b"vwxyz")
    why = f"same name and size (5 bytes), but its CRC-32 is {theirs:08x} instead of {ours:08x}"
    wanted = want(b"abcde", "moth.rom", checked=True)
    assert nearest(index, attic, wanted) == Candidate(location=at(attic / "box.zip", "d/moth.rom"), why=why)


def test_the_same_name_but_another_size(index: Index, attic: Path) -> None:
    put(attic / "moth.rom", bytes(8192))
    why = "same name, but it has 8,192 bytes instead of 4,096"
    assert nearest(index, attic, want(bytes(4096), "moth.rom")) == Candidate(location=at(attic / "moth.rom"), why=why)


def test_the_same_name_of_a_content_of_unknown_size(index: Index, attic: Path) -> None:
    put(attic / "moth.rom", b"vwxyz")
    why = f"same name, but its SHA-256 is {sha(b'vwxyz')}"
    wanted = want(b"abcde", "moth.rom", sized=False)
    assert nearest(index, attic, wanted) == Candidate(location=at(attic / "moth.rom"), why=why)


def test_the_same_size_counts_where_it_is_rare(index: Index, attic: Path) -> None:
    for name in "abc":
        put(attic / name, name.encode() * 5)
    why = f"same size (5 bytes), but its SHA-256 is {sha(b'aaaaa')}"
    assert nearest(index, attic, want(b"?????")) == Candidate(location=at(attic / "a"), why=why)
    put(attic / "d", b"ddddd")
    assert nearest(index, attic, want(b"?????")) is None


def test_the_same_size_does_not_count_where_the_source_is_wanted_for_itself(index: Index, attic: Path) -> None:
    put(attic / "a", b"aaaaa")
    index.scan([attic], LIMITS)
    ((_, candidate),) = index.find([want(b"?????"), want(b"aaaaa")]).missing
    assert candidate is None


def test_every_missing_content_is_told_in_the_order_asked(index: Index, attic: Path) -> None:
    index.scan([attic], LIMITS)
    wanted = [want(b"3"), want(b"1"), want(b"2"), want(b"1")]
    assert index.find(wanted).missing == tuple((asked, None) for asked in wanted)


# sources that cannot be hashed


def test_a_damaged_member_is_no_content_and_says_why(index: Index, attic: Path) -> None:
    put(attic / "box.zip", by_hand(Hand(name=b"moth.rom", data=b"abcde", size=6)))
    candidate = nearest(index, attic, want(b"abcdef", "moth.rom"))
    why = "same name and size (6 bytes), but 'moth.rom' is damaged: 5 bytes instead of 6"
    assert candidate == Candidate(location=at(attic / "box.zip", "moth.rom"), why=why)


def test_a_source_that_cannot_be_read_says_why_and_is_tried_again(
    index: Index, attic: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(attic / "moth.rom", b"abcde")

    def failing(location: Location, keep: object) -> Digest:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(matcher, "digest", failing)
    why = "same name and size (5 bytes), but it cannot be read: Input/output error"
    assert nearest(index, attic, want(b"abcde", "moth.rom")) == Candidate(location=at(attic / "moth.rom"), why=why)
    monkeypatch.setattr(matcher, "digest", digest)
    assert index.find([want(b"abcde")]).missing == ()


def test_a_source_that_changed_since_the_scan_is_not_remembered(
    index: Index, attic: Path, hashed: list[Location]
) -> None:
    path = put(attic / "x", b"abcde")
    index.scan([attic], LIMITS)
    put(path, b"vwxyz")
    assert index.find([want(b"vwxyz")]).missing == ()
    put(path, b"longer")
    ((_, candidate),) = index.find([want(b"vwxyz")]).missing
    assert candidate is not None
    assert candidate.why == "same size (5 bytes), but it changed after the sources were looked through"
    index.scan([attic], LIMITS)
    assert index.find([want(b"longer")]).missing == ()
    assert len(hashed) == 3


def test_a_member_of_an_archive_that_changed_since_the_scan_is_not_remembered(index: Index, attic: Path) -> None:
    path = pack(attic / "box.zip", {"x": b"abcde"})
    index.scan([attic], LIMITS)
    pack(path, {"x": b"vwxyz"})
    assert index.find([want(b"vwxyz")]).missing == ()
    pack(path, {"x": b"12345"})
    assert len(index.find([want(b"vwxyz")]).missing) == 1


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="names are Unicode there")
def test_a_name_that_is_no_text_can_be_found_and_read(index: Index, attic: Path) -> None:
    path = put(attic / os.fsdecode(b"\xff"), b"abcde")
    index.scan([attic], LIMITS)
    found = index.find([want(b"abcde", "other.bin"), want(b"?", "x", sized=False)])
    assert found.locations == {sha(b"abcde"): at(path)}
    assert read_content(at(path), want(b"abcde").content) == b"abcde"


def test_a_name_without_its_extension_is_the_same_name(index: Index, attic: Path) -> None:
    put(attic / "board/U1.BIN", b"vwxyz")
    pack(attic / "box.zip", {"d/u2.rom": b"12"})
    index.scan([attic], LIMITS)
    why = f"same name and size (5 bytes), but its SHA-256 is {sha(b'vwxyz')}"
    assert nearest(index, attic, want(b"abcde", "u1")) == Candidate(location=at(attic / "board/U1.BIN"), why=why)
    why = "same name, but it has 2 bytes instead of 5"
    assert nearest(index, attic, want(b"abcde", "u2")) == Candidate(location=at(attic / "box.zip", "d/u2.rom"), why=why)


def test_a_content_of_unknown_size_is_looked_for_under_its_name_with_any_extension_first(
    index: Index, attic: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(attic / "a", b"?")
    put(attic / "u1.bin", b"abcde")
    index.scan([attic], LIMITS)
    hashed = count_hashing(monkeypatch)
    assert index.find([want(b"abcde", "u1", sized=False)]).missing == ()
    assert hashed == [at(attic / "u1.bin")]


def test_several_processes_find_what_one_finds(index: Index, attic: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    wanted = [b"%d" % number * 50 for number in range(100)]
    for number, data in enumerate(wanted):
        put(attic / f"{number % 3}" / f"{number}", data)
    pack(attic / "box.zip", {f"{number}": data for number, data in enumerate(wanted)})
    index.scan([attic], LIMITS)
    monkeypatch.setattr(matcher, "BATCH_SOURCES", 7)
    alone = index.find([want(data) for data in wanted], processes=1)
    index.forget()
    index.scan([attic], LIMITS)
    monkeypatch.setattr(matcher, "WORTH_DIVIDING", 0)
    assert index.find([want(data) for data in wanted], processes=3) == alone
    assert alone.missing == ()


def test_many_members_of_one_archive_are_found(index: Index, attic: Path) -> None:
    members = {f"{number:04d}": b"%d" % number * 50 for number in range(1000)}
    age(pack(attic / "box.zip", members, zipfile.ZIP_STORED))
    index.scan([attic], LIMITS)
    found = index.find([want(data) for data in members.values()])
    assert found.missing == ()
    assert all(found.locations[sha(data)] == at(attic / "box.zip", name) for name, data in members.items())
