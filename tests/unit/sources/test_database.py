"""The order in which the index gives sources, however many are fetched together."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.model.manifest import ArchiveLimits
from pipeline.sources.files import database
from pipeline.sources.files.database import Database
from pipeline.sources.files.digest import digest
from pipeline.sources.files.entry import SourceEntry
from pipeline.sources.files.scan import scan
from tests.unit.sources.test_property import SPOTS, Spot, spread
from tests.unit.sources.zips import put


def scanned(folder: Path, spots: list[Spot]) -> Database:
    """Make all files, and return an index of both places."""
    spread(folder, spots)
    store = Database(folder / "index")
    scan(store, [folder / "0", folder / "1"], ArchiveLimits(), lambda _: None)
    return store


@given(spots=SPOTS, page=st.integers(1, 4), sizes=st.none() | st.sets(st.integers(0, 21)))
@settings(max_examples=150, deadline=None)
def test_sources_come_in_their_order_whatever_is_remembered_meanwhile(
    spots: list[Spot], page: int, sizes: set[int] | None
) -> None:
    with TemporaryDirectory() as name, pytest.MonkeyPatch.context() as patch:
        patch.setattr(database, "PAGE", page)
        store = scanned(Path(name), spots)
        known = sorted(store.sources(), key=lambda source: source.order)
        seen = list[SourceEntry]()
        for source in store.in_order(sizes):
            seen.append(source)
            assert store.remember([(source, digest(source.location))])
        assert seen == [source for source in known if sizes is None or source.size in sizes]
        unhashed = [source for source in store.sources() if source.sha256 is None]
        assert {source.size for source in unhashed}.isdisjoint({source.size for source in seen})
        assert store.cost_of_unhashed(None, 100) == sum(source.size + 100 for source in unhashed)
        store.close()


def test_what_changed_since_the_scan_is_not_remembered(tmp_path: Path) -> None:
    store = scanned(tmp_path, [Spot(0, None, "a", b"abcde"), Spot(0, None, "b", b"abcde")])
    first, second = store.in_order()
    put(Path(second.location.path), b"vwxyz")
    assert not store.remember([(source, digest(source.location)) for source in (first, second)])
    assert [source.sha256 for source in store.in_order()] == [digest(first.location).sha256, None]
    store.close()
