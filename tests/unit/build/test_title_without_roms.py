"""A title of files alone has no ROM files that could be out of date."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from pipeline.build.rom import TitleRoms
from tests.support import small
from tests.support.building import build_in


def test_a_title_without_rom_files_is_up_to_date(tmp_path: Path) -> None:
    inputs = build_in(small.small_project(tmp_path)).inputs
    title = inputs.manifest.titles["snail-race"]
    assert TitleRoms(inputs, title).reason() == "new"
    assert TitleRoms(inputs, replace(title, roms=())).reason() is None
