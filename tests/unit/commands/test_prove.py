"""``doit prove``: a second build under other conditions, compared bit by bit."""

from __future__ import annotations

import shutil
from collections.abc import Collection
from pathlib import Path

import pytest

from pipeline.build.inputs import Inputs
from pipeline.commands.prove import Prove
from pipeline.prove import compare
from tests.support import small
from tests.support.building import build_card_in
from tests.support.cli import ROOT, doit, own_command, within
from tests.support.needs import missing


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = small.small_project(tmp_path_factory.mktemp("proven"))
    ran = doit(folder)
    assert (ran.code, ran.err) == (0, "")
    return folder


def test_a_second_build_gives_the_same_bits(built: Path) -> None:
    ran = own_command(built, "prove", "desk")
    assert (ran.code, ran.err) == (0, "")
    clock = "clock, " if shutil.which("faketime") else ""
    assert ran.out == (
        "desk: bit-identical when rebuilt with a different folder, zone, language, home, user, hash seed, terminal, "
        f"umask, {clock}order of files, workers, form of sources\n"
    )
    assert not (built / "build/proving").exists()


def test_a_core_that_names_several_boards_is_proven(tmp_path: Path) -> None:
    """The other boards are told to the second build, without their system files."""
    folder = small.small_project(
        tmp_path,
        {
            "inputs/cores/fern.toml": small.CORE.replace('boards = ["oak"]', 'boards = ["elm", "oak"]'),
            "inputs/boards/elm.toml": small.BOARD.replace("Oak", "Elm").replace("files/system", "files/elm"),
            "inputs/files/elm/ELM.SYS": b"elm",
        },
    )
    build_card_in(folder)
    assert within(folder, Prove, "desk").code == 0


LEAKS = {
    "zone": "import time; LEAK = time.strftime('%z')",
    "language": "import os; LEAK = os.environ.get('LC_ALL', '') + os.environ.get('LANG', '')",
    "home": "import os; LEAK = os.path.expanduser('~')",
    "user": "import os; LEAK = os.environ.get('USER', '')",
    "hash seed": "LEAK = str(hash('leak'))",
    "umask": "import os; LEAK = str(os.umask(0)); os.umask(int(LEAK))",
    "clock": "import time; LEAK = str(time.gmtime().tm_year)",
    "order of files": "import os; LEAK = ''.join(os.listdir(os.path.dirname(os.__file__)))",
    "workers": "import os; LEAK = str(os.cpu_count())",
}
"""Each lets something of the machine into a text file of the card."""
QUICK = ("order of files",)
"""Tried in every run; each takes a dozen builds."""


@pytest.mark.parametrize(
    "name", [name if name in QUICK else pytest.param(name, marks=pytest.mark.long) for name in LEAKS]
)
def test_whatever_leaks_into_the_bytes_is_noticed_and_named(name: str, built: Path, tmp_path: Path) -> None:
    """In a copy of the program with a leak: its menu files end in what the machine says."""
    if name == "clock" and not shutil.which("faketime"):
        missing("faketime is not here")
    package = shutil.copytree(ROOT / "pipeline", tmp_path / "leaking/pipeline")
    for name_of_folder in ("schemas", ".ci"):
        shutil.copytree(ROOT / name_of_folder, tmp_path / "leaking" / name_of_folder)
    writer = package / "configs/write.py"
    leaking = writer.read_text("utf-8").replace("from __future__ import annotations\n", f"{LEAKS[name]}\n", 1)
    name_of = "def write_for_each("
    leaking = leaking.replace(name_of, "def _write_for_each(", 1)
    leaking += "\n\ndef write_for_each(*given):\n    return _write_for_each(*given) + LEAK.encode('utf-8', 'replace')\n"
    writer.write_text(leaking, "utf-8")
    folder = small.small_project(tmp_path / "project")
    environment = {"PYTHONPATH": str(tmp_path / "leaking"), "PYTHONHASHSEED": "1"}
    assert doit(folder, **environment).code == 0
    ran = own_command(folder, "prove", "desk", **environment)
    assert ran.code == 1, ran
    assert ran.out.startswith("desk: card.img differs: sha256 ")
    assert "SIGN.TXT" in ran.out
    assert ran.out.splitlines()[-1].startswith("caused by: ")
    assert name in ran.out.splitlines()[-1]


def test_a_difference_is_told_by_file(
    built: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def spoilt(inputs: Inputs, card: str, scratch: Path, varied: Collection[str]) -> Path:
        again = Path(shutil.copytree(inputs.workspace.card_folder(card), tmp_path / "again"))
        image = (again / "card.img").read_bytes()
        at = image.index(small.CHIP_A)
        (again / "card.img").write_bytes(image[:at] + b"?" + image[at + 1 :])
        return again

    monkeypatch.chdir(built)
    monkeypatch.setattr(compare, "build_again", spoilt)
    monkeypatch.setattr(compare, "reasons", lambda *_: ())
    assert Prove().parse_execute(["desk"]) == 1
    told = capsys.readouterr().out
    first = small.sha((built / "build/cards/desk/card.img").read_bytes())
    second = small.sha((tmp_path / "again/card.img").read_bytes())
    assert told.startswith(f"desk: card.img differs: sha256 {first}, in the second build {second}\n")
    assert "SNAIL.ROM" in told


def test_a_card_that_is_not_built_cannot_be_proven(tmp_path: Path) -> None:
    ran = own_command(small.small_project(tmp_path), "prove", "desk")
    assert (ran.code, ran.out, ran.err) == (
        1,
        "",
        "inputs/cards/desk.toml: the build is out of date: rom: new\n  hint: doit sheet:desk\n",
    )


def test_an_unknown_card_is_refused(built: Path) -> None:
    ran = own_command(built, "prove", "dusk")
    assert (ran.code, ran.err) == (2, 'found "dusk", expected the id of a card\n  hint: did you mean "desk"?\n')
