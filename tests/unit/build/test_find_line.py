"""What is said of a search, whatever was asked for: each content that is wanted for it counts once."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.build import find
from tests.support import small
from tests.support.building import build_in

CHIP_C = b"c" * 1024
OTHER = small.TITLE.replace("Snail race", "Thistle").replace("SNAIL.ROM", "THISTLE.ROM").replace("b1", "c1")
OTHER = OTHER.replace(f'sha256 = "{small.sha(small.ROM)}"\n', "").replace(
    small.sha(small.CHIP_B), small.sha(b"c" * 1024)
)
REST = "; the rest is not needed now"


@pytest.mark.parametrize(
    ("asked", "with_chip_c", "line"),
    [
        # title snail-race wants a1 and b1; thistle, on no card, a1 and c1; the card the bitstream and snail-race
        ((), True, "3 of 3 contents found"),
        ((), False, "3 of 3 contents found"),
        (("rom",), True, "3 of 3 contents found"),
        (("rom",), False, f"2 of 3 contents found in 1 place{REST}"),
        (("rom:thistle",), True, "2 of 2 contents found"),
        (("rom:thistle",), False, f"1 of 2 contents found in 1 place{REST}"),
        (("rom:thistle", "image:desk"), True, "4 of 4 contents found"),
        (("check",), True, "0 of 0 contents found"),
    ],
)
def test_what_is_asked_for_is_counted(tmp_path: Path, asked: tuple[str, ...], with_chip_c: bool, line: str) -> None:
    changes: dict[str, str | bytes] = {"inputs/titles/thistle.toml": OTHER}
    build = build_in(
        small.small_project(tmp_path, {**changes, "inputs/files/attic/c": CHIP_C} if with_chip_c else changes)
    )
    build.asked = asked
    assert find.run(build) == (line if " place" in line else f"{line} in 1 place")
