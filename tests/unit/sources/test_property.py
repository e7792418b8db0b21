"""Whatever is spread over folders and archives under whatever names: what is wanted is found, and no more is hashed."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.model.content import Content, Location, Wanted
from pipeline.model.manifest import ArchiveLimits
from pipeline.sources.files.read import read_content
from pipeline.sources.index import Index
from tests.unit.sources.looking import at, count_hashing, sha, want
from tests.unit.sources.zips import pack, put

CONTENTS = st.binary(max_size=3).map(lambda data: data * 7) | st.binary(max_size=40)
NAMES = st.text("abAB .~é", min_size=1, max_size=4).filter(lambda name: name.strip(" ."))


@dataclass(frozen=True)
class Spot:
    """Some bytes, in one of two places, in an archive of it or not, under a name."""

    place: int
    archive: str | None
    name: str
    data: bytes


SPOTS = st.lists(
    st.builds(Spot, place=st.integers(0, 1), archive=st.none() | st.sampled_from("xy"), name=NAMES, data=CONTENTS),
    unique_by=lambda spot: (spot.place, spot.archive, spot.name.casefold().rstrip(" .")),
    max_size=12,
)


def spread(folder: Path, spots: list[Spot]) -> list[tuple[tuple[int, bool, bytes, str], Location, bytes]]:
    """Make all files and return each with its preference (place, file before member, path, member)."""
    made, packed = [], dict[Path, dict[str, bytes]]()
    for spot in spots:
        place = folder / f"{spot.place}"
        place.mkdir(exist_ok=True)
        if spot.archive is None:
            path = put(place / f"file {spot.name}.bin", spot.data)
            made.append(((spot.place, False, str(path).encode(), ""), at(path), spot.data))
        else:
            path = place / spot.archive
            packed.setdefault(path, {})[spot.name] = spot.data
            made.append(((spot.place, True, str(path).encode(), spot.name), at(path, spot.name), spot.data))
    for path, members in packed.items():
        made.append(
            ((int(path.parent.name), False, str(path).encode(), ""), at(path), pack(path, members).read_bytes())
        )
    return sorted(made, key=lambda row: row[0])


@given(spots=SPOTS, data=st.data())
@settings(max_examples=150, deadline=None)
def test_all_wanted_is_found_where_preferred_and_nothing_else_is_hashed(spots: list[Spot], data: st.DataObject) -> None:
    absent = data.draw(st.lists(CONTENTS, max_size=2))
    asked = data.draw(st.lists(st.sampled_from([spot.data for spot in spots]), max_size=6)) if spots else []
    checked = data.draw(st.booleans())
    wanted = [want(content, checked=checked) for content in asked + absent]
    with TemporaryDirectory() as name, pytest.MonkeyPatch.context() as patch:
        folder = Path(name)
        made = spread(folder, spots)
        hashed = count_hashing(patch)
        places = [folder / "0", folder / "1"]
        with Index(folder / "index") as index:
            index.scan(places, ArchiveLimits())
            found = index.find(wanted)
        preferred = {sha(there): location for _, location, there in reversed(made)}
        assert found.locations == {
            w.content.sha256: preferred[w.content.sha256] for w in wanted if w.content.sha256 in preferred
        }
        assert [w for w, _ in found.missing] == [w for w in wanted if w.content.sha256 not in preferred]
        for sha256, location in found.locations.items():
            assert sha(read_content(location, found.contents[sha256])) == sha256
        assert len(hashed) == len(set(hashed))
        assert set(hashed) <= {location for _, location, there in made if may_be_wanted(location, there, wanted)}

        hashed.clear()
        with Index(folder / "index") as index:
            assert index.scan(places, ArchiveLimits()).changed == 0
            assert index.find(wanted) == found
        assert hashed == []


def may_be_wanted(location: Location, data: bytes, wanted: list[Wanted]) -> bool:
    """Whether size, and for a member CRC-32, leave it open if these bytes are wanted."""
    checks = {w.content.crc32 for w in wanted if w.content.size == len(data)}
    return bool(checks) if location.member is None else not checks.isdisjoint({None, zlib.crc32(data)})


@given(spots=SPOTS, data=st.data())
@settings(max_examples=100, deadline=None)
def test_what_is_known_by_hash_alone_is_found_the_same_whatever_was_hashed_before(
    spots: list[Spot], data: st.DataObject
) -> None:
    asked = data.draw(st.lists(st.sampled_from([spot.data for spot in spots]), max_size=4)) if spots else []
    names = data.draw(st.lists(NAMES | NAMES.map("file {}.bin".format), max_size=2))
    wanted = [want(content, *names, sized=False) for content in asked]
    with TemporaryDirectory() as name:
        folder = Path(name)
        made = spread(folder, spots)
        with Index(folder / "index") as index:
            index.scan([folder / "0", folder / "1"], ArchiveLimits())
            found = index.find(wanted)
            assert found.missing == ()
            assert all(found.contents[sha(content)] == content_of(content) for content in asked)
            for sha256, location in found.locations.items():
                assert sha(read_content(location, found.contents[sha256])) == sha256
            index.find([want(b"nowhere", sized=False)])  # hashes everything
            assert index.find(wanted) == found
        assert set(found.locations.values()) <= {location for _, location, _ in made}


def content_of(data: bytes) -> Content:
    return Content(sha256=sha(data), size=len(data), crc32=zlib.crc32(data))
