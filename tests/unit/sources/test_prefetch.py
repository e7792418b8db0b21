"""What the next item needs is read beside the work on the one at hand; what is handed out is the same."""

from __future__ import annotations

import random
from collections.abc import Sequence
from pathlib import Path

import pytest

from pipeline.errors import CheckError
from pipeline.model.content import Content, Location
from pipeline.sources.files import digest
from pipeline.sources.files import prefetch as module
from pipeline.sources.files.prefetch import Prefetcher, Wanted
from pipeline.sources.files.read import read_contents
from tests.unit.sources.looking import at, sha
from tests.unit.sources.zips import pack

CHANCE = random.Random(5)
LARGE = {name: CHANCE.randbytes(digest.SMALL) for name in "abc"}
SMALL = {name: name.encode() * 9 for name in "abc"}


def box(folder: Path, contents: dict[str, bytes]) -> dict[str, Wanted]:
    path = pack(folder / "box.zip", contents)
    wanted = {name: Content(sha256=sha(data), size=len(data)) for name, data in contents.items()}
    return {name: [(at(path, name), content)] for name, content in wanted.items()}


@pytest.fixture
def read(monkeypatch: pytest.MonkeyPatch) -> list[str | None]:
    """Return a list that grows by every member that is read from now on."""
    members: list[str | None] = []

    def noting(wanted: Sequence[tuple[Location, Content]]) -> list[bytes]:
        members.extend(location.member for location, _ in wanted)
        return read_contents(wanted)

    monkeypatch.setattr(module, "read_contents", noting)
    return members


@pytest.mark.parametrize("contents", [SMALL, LARGE], ids=["small", "large"])
@pytest.mark.parametrize("order", ["abc", "cba", "", "aab"])
def test_items_come_as_they_are_taken_whatever_was_expected(
    tmp_path: Path, contents: dict[str, bytes], order: str
) -> None:
    wanted = box(tmp_path, contents)
    ahead = Prefetcher(order, wanted.__getitem__)
    assert [ahead.take(name) for name in "abacb"] == [[contents[name]] for name in "abacb"]


def test_large_contents_of_the_next_item_are_read_before_it_is_taken(tmp_path: Path, read: list[str | None]) -> None:
    ahead = Prefetcher("abc", box(tmp_path, LARGE).__getitem__)
    ahead.take("a")
    ahead.take("b")
    ahead.take("c")
    assert read == ["a", "b", "c"]
    ahead.take("a")
    assert ahead._waiting["b"].result() == [LARGE["b"]]


def test_small_contents_and_more_than_there_is_room_for_wait_for_their_turn(
    tmp_path: Path, read: list[str | None], monkeypatch: pytest.MonkeyPatch
) -> None:
    Prefetcher("abc", box(tmp_path, SMALL).__getitem__).take("a")
    monkeypatch.setattr(module, "MOST", digest.SMALL - 1)
    Prefetcher("abc", box(tmp_path, LARGE).__getitem__).take("a")
    assert read == ["a", "a"]


def test_what_is_wrong_with_the_next_item_is_told_when_it_is_taken(tmp_path: Path) -> None:
    wanted = box(tmp_path, LARGE)
    ((location, _),) = wanted["b"]
    wrong = Content(sha256=sha(b"other"), size=digest.SMALL)
    ahead = Prefetcher("ab", {**wanted, "b": [(location, wrong)]}.__getitem__)
    assert ahead.take("a") == [LARGE["a"]]
    what = f"changed while it was read: its SHA-256 is {sha(LARGE['b'])} instead of {sha(b'other')}"
    with pytest.raises(CheckError, match=what):
        ahead.take("b")
