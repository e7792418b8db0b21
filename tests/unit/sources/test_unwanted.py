"""What in the sources is wanted by nothing: archives count by what they hold, and only likely files are hashed."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.model.manifest import ArchiveLimits
from pipeline.sources.index import Index
from tests.unit.sources.looking import at, sha
from tests.unit.sources.zips import pack, put


@pytest.fixture
def attic(tmp_path: Path) -> Path:
    (tmp_path / "attic").mkdir()
    return tmp_path / "attic"


def test_all_but_the_wanted_contents_and_their_copies(attic: Path, tmp_path: Path) -> None:
    put(attic / "wanted", b"wanted")
    put(attic / "copy of it", b"wanted")
    put(attic / "as long", b"others")
    put(attic / "longer", b"longer than that")
    pack(attic / "box.zip", {"tray/wanted": b"wanted", "tray/label": b"label"})
    with Index(tmp_path / "index.sqlite") as index:
        index.scan([attic], ArchiveLimits())
        hashed: list[int] = []
        spare = index.unwanted({sha(b"wanted")}, {6}, hashed.append)
        assert spare == [
            (at(attic / "as long"), 6),
            (at(attic / "longer"), 16),
            (at(attic / "box.zip", "tray/label"), 5),
        ]
        assert sum(hashed) == 24
        assert index.unwanted({sha(b"wanted")}, {6}, hashed.append) == spare
        assert sum(hashed) == 24


def test_what_cannot_be_read_is_wanted_by_nothing(attic: Path, tmp_path: Path) -> None:
    box = pack(attic / "box.zip", {"a": b"wanted", "b": b"others"}, 0)
    data = box.read_bytes()
    put(box, data.replace(b"wanted", b"damage", 1))
    with Index(tmp_path / "index.sqlite") as index:
        index.scan([attic], ArchiveLimits())
        assert index.unwanted({sha(b"wanted"), sha(b"others")}, {6}) == [(at(box, "a"), 6)]
