"""Other forms of source files: which are tried, in which order, and what is remembered."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.model.content import Content
from pipeline.model.derived import AlternativeForms, Derived, Form, FormSource
from pipeline.model.manifest import ArchiveLimits
from pipeline.sources.index import Index
from pipeline.sources.search import alternative_forms
from tests.unit.sources.looking import at, sha
from tests.unit.sources.zips import pack, put

LIMITS = ArchiveLimits()
DATA = b"abcdef"


def wanted(data: bytes) -> Content:
    return Content(sha256=sha(data), size=len(data))


class Turning:
    """Alternatives of one form, back to front, and one of two files, in a row; takes down what it was given."""

    def __init__(self) -> None:
        self.seen: list[tuple[bytes, int]] = []
        self.seen_together: list[tuple[bytes, bytes]] = []

    def forms(self, data: bytes, size: int) -> Iterator[Form]:
        self.seen.append((data, size))
        yield Form(how="back to front", change="turn = true", data=data[::-1])

    def pairs(self, first: bytes, second: bytes) -> Iterator[Form]:
        self.seen_together.append((first, second))
        yield Form(how="in two files", change="both", data=first + second)

    @property
    def alternatives(self) -> AlternativeForms:
        return AlternativeForms(fits=lambda size, wanted: size == wanted, forms=self.forms, pairs=self.pairs)


@pytest.fixture
def turning() -> Turning:
    return Turning()


@pytest.fixture
def attic(tmp_path: Path) -> Path:
    (tmp_path / "attic").mkdir()
    return tmp_path / "attic"


@pytest.fixture
def index(tmp_path: Path) -> Iterator[Index]:
    with Index(tmp_path / "index.sqlite") as opened:
        yield opened


def looked(index: Index, attic: Path, turning: Turning, *contents: Content) -> tuple[dict[str, Derived], int]:
    index.scan([attic], LIMITS)
    found, left = index.derive(contents, turning.alternatives)
    return dict(found), left


def expected(path: Path, member: str | None = None) -> Derived:
    source = FormSource(location=at(path, member), content=Content(sha256=sha(DATA), size=6))
    return Derived(sources=(source,), how="back to front", change="turn = true")


def test_a_file_that_becomes_the_content_is_named(index: Index, attic: Path, turning: Turning) -> None:
    put(attic / "b.bin", DATA)
    put(attic / "c.bin", b"other!")
    put(attic / "long.bin", DATA + b"more")
    found, left = looked(index, attic, turning, wanted(DATA[::-1]))
    assert left == 0
    assert found.keys() == {sha(DATA[::-1])}
    assert found[sha(DATA[::-1])].sources[0].location == at(attic / "b.bin")
    assert sorted(turning.seen) == [(DATA, 6), (b"other!", 6)]


def test_of_several_the_preferred_one_is_named(index: Index, attic: Path, turning: Turning) -> None:
    pack(attic / "a.zip", {"deep/b.bin": DATA})
    put(attic / "z.bin", DATA)
    found, _ = looked(index, attic, turning, wanted(DATA[::-1]))
    assert found[sha(DATA[::-1])].sources[0].location == at(attic / "z.bin")
    (attic / "z.bin").unlink()
    found, _ = looked(index, attic, turning, wanted(DATA[::-1]))
    assert found == {sha(DATA[::-1]): expected(attic / "a.zip", "deep/b.bin")}


def test_a_second_search_reads_nothing(index: Index, attic: Path, turning: Turning) -> None:
    put(attic / "b.bin", DATA)
    put(attic / "c.bin", b"other!")
    first, _ = looked(index, attic, turning, wanted(DATA[::-1]))
    turning.seen.clear()
    read: list[int] = []
    index.scan([attic], LIMITS)
    again, _ = index.derive([wanted(DATA[::-1])], turning.alternatives, read.append)
    assert again == first
    assert turning.seen == []
    assert read == []


def test_another_size_is_looked_at_when_it_is_wanted(index: Index, attic: Path, turning: Turning) -> None:
    put(attic / "b.bin", DATA)
    put(attic / "c.bin", DATA + b"!")
    looked(index, attic, turning, wanted(b"------"))
    turning.seen.clear()
    found, _ = looked(index, attic, turning, wanted(b"-------"), wanted((DATA + b"!")[::-1]))
    assert found.keys() == {sha((DATA + b"!")[::-1])}
    assert turning.seen == [(DATA + b"!", 7)]


def test_a_changed_file_is_not_named_any_more(index: Index, attic: Path, turning: Turning) -> None:
    put(attic / "b.bin", DATA)
    assert looked(index, attic, turning, wanted(DATA[::-1]))[0]
    put(attic / "b.bin", b"other!")
    assert looked(index, attic, turning, wanted(DATA[::-1])) == ({}, 0)


def test_work_is_limited_and_goes_on_the_next_time(
    index: Index, attic: Path, turning: Turning, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(alternative_forms, "MOST", 12)
    for name in ("a", "b", "c"):
        put(attic / name, name.encode() * 6)
    assert looked(index, attic, turning, wanted(b"------"))[1] == 1
    assert len(turning.seen) == 2
    assert looked(index, attic, turning, wanted(b"------"))[1] == 0
    assert [data for data, _ in turning.seen] == [b"aaaaaa", b"bbbbbb", b"cccccc"]


def test_a_file_too_large_for_a_chip_is_not_tried(
    index: Index, attic: Path, turning: Turning, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(alternative_forms, "LARGEST", 5)
    put(attic / "b.bin", DATA)
    assert looked(index, attic, turning, wanted(DATA[::-1])) == ({}, 0)
    assert turning.seen == []


def test_what_is_wanted_later_is_found_by_reading_one_file_again(index: Index, attic: Path, turning: Turning) -> None:
    put(attic / "b.bin", DATA)
    put(attic / "c.bin", b"other!")
    assert looked(index, attic, turning, wanted(b"------")) == ({}, 0)
    turning.seen.clear()
    assert looked(index, attic, turning, wanted(DATA[::-1]))[0] == {sha(DATA[::-1]): expected(attic / "b.bin")}
    assert turning.seen == [(DATA, 6)]
    turning.seen.clear()
    assert looked(index, attic, turning, wanted(DATA[::-1]))[0] == {sha(DATA[::-1]): expected(attic / "b.bin")}
    assert turning.seen == []


@pytest.mark.parametrize("order", [("a.bin", "b.bin"), ("b.bin", "a.bin")])
def test_halves_in_two_files_of_a_folder_are_named_together(
    order: tuple[str, str], index: Index, attic: Path, turning: Turning
) -> None:
    first, second = order
    put(attic / "tray" / first, b"abc")
    put(attic / "tray" / second, b"def")
    put(attic / "other" / "c.bin", b"xyz")
    found, left = looked(index, attic, turning, wanted(DATA))
    sources = (
        FormSource(location=at(attic / "tray" / first), content=Content(sha256=sha(b"abc"), size=3)),
        FormSource(location=at(attic / "tray" / second), content=Content(sha256=sha(b"def"), size=3)),
    )
    assert (found, left) == ({sha(DATA): Derived(sources=sources, how="in two files", change="both")}, 0)
    assert sorted(turning.seen_together) == [(b"abc", b"def"), (b"def", b"abc")]
    turning.seen_together.clear()
    read: list[int] = []
    index.scan([attic], LIMITS)
    assert index.derive([wanted(DATA)], turning.alternatives, read.append) == (found, 0)
    assert (turning.seen_together, read) == ([], [])


def test_only_neighbours_are_tried_together(index: Index, attic: Path, turning: Turning) -> None:
    """Work stays in proportion to the number of files."""
    for number in range(20):
        put(attic / f"{number:02}", b"%03d" % number)
    assert looked(index, attic, turning, wanted(b"------")) == ({}, 0)
    tried = {(int(first), int(second)) for first, second in turning.seen_together}
    assert tried == {(a, b) for a in range(20) for b in range(20) if 0 < abs(a - b) <= alternative_forms.NEIGHBOURS}
    assert len(turning.seen_together) == len(tried)


def test_two_files_are_not_named_when_one_is_gone(index: Index, attic: Path, turning: Turning) -> None:
    put(attic / "a", b"abc")
    put(attic / "b", b"def")
    assert looked(index, attic, turning, wanted(DATA))[0]
    (attic / "b").unlink()
    assert looked(index, attic, turning, wanted(DATA)) == ({}, 0)
