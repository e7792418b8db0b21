"""``doit stations`` as a person runs it: from manifests alone."""

from __future__ import annotations

import json
from pathlib import Path

from tests.support import small
from tests.support.cli import own_command

STATION = """\
name = "Attic"
displays = [{ name = "tube", inputs = ["rgb"] }]
keyboards = ["external"]
"""
AT_ATTIC = small.CARD.replace('version = "1"\n', 'version = "1"\nstations = ["attic"]\n')
CHANGES: dict[str, str | bytes] = {"inputs/stations/attic.toml": STATION, "inputs/cards/desk.toml": AT_ATTIC}


def test_the_matrix_is_text_or_json(tmp_path: Path) -> None:
    folder = small.small_project(tmp_path, CHANGES)
    ran = own_command(folder, "stations", "desk")
    assert (ran.code, ran.err) == (0, "")
    assert ran.out == 'Attic (attic)\n  core fern and its title: works on "tube" by rgb\n'
    ran = own_command(folder, "stations", "--json", "desk")
    document = json.loads(ran.out)
    assert (ran.code, document["cardkiln-stations"], document["card"]) == (0, 1, "desk")
    assert [row.get("title") for row in document["stations"][0]["outlooks"]] == [None, "snail-race"]


def test_a_card_without_stations_is_told_how_to_name_some(tmp_path: Path) -> None:
    ran = own_command(small.small_project(tmp_path), "stations", "desk")
    assert (ran.code, ran.err) == (0, "")
    assert ran.out == 'card desk names no station; name some in its manifest: stations = ["..."]\n'


def test_an_unknown_card_offers_the_nearest(tmp_path: Path) -> None:
    ran = own_command(small.small_project(tmp_path), "stations", "dest")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err == 'found "dest", expected the id of a card\n  hint: did you mean "desk"?\n'
