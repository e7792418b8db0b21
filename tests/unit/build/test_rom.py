"""A title whose ROM file is patched, from its manifest to the record of its card."""

from __future__ import annotations

import json
from pathlib import Path

from tests.support import small
from tests.support.building import build_card_in
from tests.support.cli import doit
from tests.unit.roms.deltas import HEADER, number, window

NEW = small.CHIP_A[:8] + b"corrected" + small.CHIP_A[17:]
DELTA = HEADER + window(1024, b"corrected", b"\x18\x0a\x13" + number(1007), b"\0" + number(17), (1024, 0))
"""COPY 8 from 0, ADD 9, COPY 1007 from 17: codes 24, 10 and 19 of RFC 3284, section 5.6."""

TITLE = f"""\
name = "Snail race"
core = "fern"
[chips.a1]
size = "1 KiB"
sha256 = "{small.sha(small.CHIP_A)}"
[patches.second-series]
size = {len(DELTA)}
sha256 = "{small.sha(DELTA)}"
[[rom]]
path = "SNAIL.ROM"
size = "1 KiB"
sha256 = "{small.sha(NEW)}"
[[rom.steps]]
at = 0
chip = "a1"
then = [{{ patch = {{ delta = "second-series", before = "{small.sha(small.CHIP_A)}", after = "{small.sha(NEW)}" }} }}]
"""
FILES: dict[str, str | bytes] = {"inputs/titles/snail-race.toml": TITLE, "inputs/files/attic/leaflet.bin": DELTA}


def test_a_patch_is_found_among_the_sources_applied_and_recorded(tmp_path: Path) -> None:
    folder = small.small_project(tmp_path, FILES)
    ran = doit(folder)
    assert (ran.code, ran.err) == (0, "")
    assert "rom     snail-race: 1 ROM file from 1 chip and 1 patch, 1 KiB\n" in ran.out
    assert (folder / "build/roms/snail-race/SNAIL.ROM").read_bytes() == NEW
    record = json.loads((folder / "build/cards/desk/record.json").read_text("utf-8"))
    (made,) = (file for file in record["files"] if file["path"].endswith("SNAIL.ROM"))
    assert [part["role"] for part in made["made-from"]["contents"]] == ["chip a1", "patch second-series"]
    assert made["made-from"]["steps"] == ["0x0000: a1, patch second-series"]


def test_a_patch_that_is_missing_is_told_at_its_own_lines(tmp_path: Path) -> None:
    folder = small.small_project(tmp_path, FILES)
    (folder / "inputs/files/attic/leaflet.bin").unlink()
    ran = doit(folder)
    assert (ran.code, ran.err) == (
        1,
        "inputs/titles/snail-race.toml:6:1: patches.second-series: patch second-series of Snail race is in none of the "
        f"1 place searched: {len(DELTA)} bytes, SHA-256 {small.sha(DELTA)}\n"
        "  hint: add the folder or archive it is in to sources.toml\n",
    )


def test_a_kept_file_in_place_of_a_rom_file_is_the_one_on_the_card(tmp_path: Path) -> None:
    changes: dict[str, str | bytes] = {
        "inputs/cards/desk.toml": 'keep = ["GOODS/**"]\n' + small.CARD,
        "inputs/kept/desk/GOODS/FERN/SNAIL.ROM": b"the user's own",
    }
    build_card_in(small.small_project(tmp_path, changes))
    record = json.loads((tmp_path / "build/cards/desk/record.json").read_bytes())
    files = {file["path"]: file["sha256"] for file in record["files"]}
    assert files["GOODS/FERN/SNAIL.ROM"] == small.sha(b"the user's own")
    assert build_card_in(tmp_path) == []
