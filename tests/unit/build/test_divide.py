"""What is told of a division, and what its drafts are called."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.build.divide import Divided, reason
from pipeline.planner import solver
from pipeline.planner.divide import Division
from pipeline.planner.reasons import Bound
from tests.support import samples, small
from tests.support.cli import own_command


@pytest.mark.parametrize(
    ("is_there", "extra"), [(True, ""), (False, ' (the extra "divide" brings a solver that searches further)')]
)
def test_a_search_that_gave_up_says_what_would_search_further(
    monkeypatch: pytest.MonkeyPatch, is_there: bool, extra: str
) -> None:
    monkeypatch.setattr(solver, "is_there", lambda: is_there)
    bound = Bound(cards=1, why="at least one card is needed")
    division = Division(cards=((16, ("a",)), (16, ("b",))), apart=(), bound=bound, is_proved=False)
    assert reason(Divided(drafts=(samples.card(), samples.card()), division=division, warnings=())) == (
        f"fewer cards may be possible; the search limit was reached{extra}. "
        "at least 1 are needed: at least one card is needed"
    )


@pytest.mark.parametrize(("id_", "label"), [("club", "CLUB1"), ("the-club-of-tallow-lane", "THECLUBOFT1")])
def test_the_label_of_a_draft_is_its_id_with_the_number_whole(tmp_path: Path, id_: str, label: str) -> None:
    folder = small.small_project(tmp_path)
    ran = own_command(folder, "divide", "oak", "--size", "64 MB", "--write", "--as", id_)
    assert (ran.code, ran.err) == (0, "")
    text = (folder / f"inputs/cards/{id_}-1.toml").read_text(encoding="utf-8")
    assert text.endswith(f'\nlabel = "{label}"\n')
