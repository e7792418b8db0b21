"""ROM files that are built while their chips are searched for."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.build import in_passing
from pipeline.build.in_passing import InPassing
from pipeline.build.rom import TitleRoms
from pipeline.errors import CheckError
from pipeline.model.outcome import Outcome
from pipeline.sources.files.digest import Digest
from tests.support import small
from tests.support.building import build_in

OTHER = small.TITLE.replace("Snail race", "Thistle").replace("b1", "c1").replace("SNAIL.ROM", "THISTLE.ROM")
OTHER = OTHER.replace(small.sha(small.CHIP_B), small.sha(small.BITSTREAM)).replace(
    f'sha256 = "{small.sha(small.ROM)}"\n', ""
)


def taker(folder: Path, *, fails: bool = False) -> tuple[InPassing, list[str]]:
    """Return one that builds two titles, and the list of those that it built, in order."""
    build = build_in(small.small_project(folder, {"inputs/titles/thistle.toml": OTHER}))
    built = list[str]()

    def made(roms: TitleRoms, chips: dict[str, bytes]) -> Outcome:
        if fails:
            raise CheckError([])
        built.append(f"{roms.title.id} {' '.join(f'{name}:{len(data)}' for name, data in chips.items())}")
        return Outcome(why="new", line=roms.title.id)

    return InPassing(map(build.title, build.inputs.manifest.titles.values()), made, None, lambda _: None), built


def give(passing: InPassing, *contents: bytes) -> None:
    for data in contents:
        passing.take(Digest(small.sha(data), 0, len(data), ""), [data[:5], data[5:]])


def test_a_title_is_built_with_its_last_chip_and_shared_chips_are_held_as_long_as_needed(tmp_path: Path) -> None:
    passing, built = taker(tmp_path)
    give(passing, small.CHIP_A, b"of no title")
    assert built == []
    give(passing, small.CHIP_B)
    assert built == ["snail-race a1:1024 b1:1024"]
    give(passing, small.BITSTREAM)
    assert built == ["snail-race a1:1024 b1:1024", f"thistle a1:1024 c1:{len(small.BITSTREAM)}"]
    assert passing.made() == ({title: Outcome(why="new", line=title) for title in ("snail-race", "thistle")}, None)
    assert (passing.made(), passing._held, passing._size) == (({}, None), {}, 0)


def test_what_does_not_fit_into_memory_is_left_to_its_turn(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(in_passing, "MOST", 1000)
    passing, built = taker(tmp_path)
    give(passing, small.CHIP_A, small.CHIP_B, small.BITSTREAM)
    assert (built, passing._held, passing._size) == ([], {}, 0)


def test_a_title_with_a_problem_is_left_to_its_turn(tmp_path: Path) -> None:
    passing, _ = taker(tmp_path, fails=True)
    give(passing, small.CHIP_A, small.CHIP_B, small.BITSTREAM)
    assert (passing.made(), passing._held) == (({}, None), {})
