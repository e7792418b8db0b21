"""``doit prove``: a second build under other conditions, compared bit by bit."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from pipeline.commands.prove import Prove
from pipeline.stages import prove
from pipeline.stages.project import Project
from tests import small
from tests.running import doit, own_command


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = small.small_project(tmp_path_factory.mktemp("proven"))
    ran = doit(folder)
    assert (ran.code, ran.err) == (0, "")
    return folder


def test_a_second_build_gives_the_same_bits(built: Path) -> None:
    ran = own_command(built, "prove", "desk")
    assert (ran.code, ran.err) == (0, "")
    assert re.fullmatch(r"desk: the same bits, built again with other folder, order of files, home, .*\n", ran.out)


def test_a_difference_is_told_by_file(
    built: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def spoilt(project: Project, card: str, scratch: Path) -> Path:
        again = Path(shutil.copytree(project.card_folder(card), tmp_path / "again"))
        image = (again / "card.img").read_bytes()
        at = image.index(small.CHIP_A)
        (again / "card.img").write_bytes(image[:at] + b"?" + image[at + 1 :])
        return again

    monkeypatch.chdir(built)
    monkeypatch.setattr(prove, "build_again", spoilt)
    assert Prove().parse_execute(["desk"]) == 1
    told = capsys.readouterr().out
    first = small.sha((built / "build/cards/desk/card.img").read_bytes())
    second = small.sha((tmp_path / "again/card.img").read_bytes())
    assert told.startswith(f"desk: card.img differs: sha256 {first}, the second time {second}\n")
    assert "SNAIL.ROM" in told


def test_a_card_that_is_not_built_cannot_be_proven(tmp_path: Path) -> None:
    ran = own_command(small.small_project(tmp_path), "prove", "desk")
    assert (ran.code, ran.out, ran.err) == (
        1,
        "",
        "desk is not built as declared (rom: new)\n  hint: run doit record:desk first\n",
    )


def test_an_unknown_card_is_refused(built: Path) -> None:
    ran = own_command(built, "prove", "dusk")
    assert (ran.code, ran.err) == (2, 'found "dusk", expected the id of a card\n  hint: did you mean "desk"?\n')
