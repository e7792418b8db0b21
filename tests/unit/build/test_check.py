"""A source that changes while the manifests are checked is no fault of the manifests."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.build import card, check
from pipeline.errors import ChangedError
from pipeline.model.content import Content, Location
from pipeline.sources.files.digest import changed
from tests.support import small
from tests.support.building import build_in

EDITED = (
    small.CARD
    + """
[[edits]]
path = "BENCH.SET"
section = "words"
key = "form"
value = "1"
"""
)


@pytest.fixture(autouse=True)
def _a_writer_meanwhile(monkeypatch: pytest.MonkeyPatch) -> None:
    def read(location: Location, _: Content) -> bytes:
        raise changed(location, "it had 3 bytes before and 4 after")

    monkeypatch.setattr(card, "read_content", read)


def test_a_file_to_edit_that_changes_while_it_is_read_is_told_as_a_failed_check(tmp_path: Path) -> None:
    folder = small.small_project(tmp_path, {"inputs/cards/desk.toml": EDITED})
    with pytest.raises(ChangedError) as caught:
        check.run(build_in(folder))
    assert str(caught.value) == (
        f"{folder}/inputs/files/system/BENCH.SET: changed while it was read: it had 3 bytes before and 4 after\n"
        "  hint: run again when nothing writes to it"
    )
    assert caught.value.exit_code == 1
