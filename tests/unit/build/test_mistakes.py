"""What people get wrong first with their own cards: each in a folder below tests/cases/mistakes, told word for word."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from pipeline.build import check
from pipeline.errors import ManifestError
from tests.support import small
from tests.support.building import build_in

CASES = Path(__file__).parents[2] / "cases/mistakes"


@pytest.mark.parametrize("case", sorted(CASES.iterdir()), ids=lambda case: str(case.name))
def test_a_first_mistake_is_told_word_for_word(case: Path, tmp_path: Path) -> None:
    small.small_project(tmp_path)
    shutil.copytree(case / "inputs", tmp_path / "inputs", dirs_exist_ok=True)
    build = build_in(tmp_path)
    with pytest.raises(ManifestError) as caught:
        check.run(build)
    problems = build.workspace.located(caught.value.problems)
    assert "\n".join(map(str, problems)) == (case / "expected.txt").read_text("utf-8").rstrip("\n")
