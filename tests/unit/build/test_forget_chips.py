"""Where chips lie is forgotten once the ROM files of all their titles are built, and nothing else is."""

from __future__ import annotations

from pathlib import Path

from tests.support import small
from tests.support.building import build_in
from tests.unit.build.test_find_line import CHIP_C, OTHER


def test_what_only_built_titles_need_is_forgotten(tmp_path: Path) -> None:
    # snail-race is made of a1 and b1, thistle of a1 and c1; the bitstream is the card's
    files: dict[str, str | bytes] = {"inputs/titles/thistle.toml": OTHER, "inputs/files/attic/c": CHIP_C}
    inputs = build_in(small.small_project(tmp_path, files)).inputs
    before = inputs.search
    inputs.forget_chips_of({"snail-race"})
    after = inputs.search
    gone = {small.sha(small.CHIP_B)}
    assert set(before.locations) - set(after.locations) == gone
    assert set(before.contents) - set(after.contents) == gone
    assert all(after.locations[sha256] == before.locations[sha256] for sha256 in after.locations)
    assert all(after.contents[sha256] == before.contents[sha256] for sha256 in after.contents)
    inputs.forget_chips_of({"snail-race", "thistle"})
    assert not {small.sha(small.CHIP_A), small.sha(CHIP_C)} & set(inputs.search.locations)
    assert set(inputs.search.locations)
