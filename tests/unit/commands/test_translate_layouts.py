"""``doit translate``: ROM files that a script makes the same way are offered as a layout, and it gives these files."""

from __future__ import annotations

import hashlib
import json
import re
import subprocess
from pathlib import Path

import pytest

from pipeline.commands.translate import Translate
from pipeline.manifest.load import load
from pipeline.roms.assemble import assemble, chips_used
from tests.strangers.tools import require
from tests.support import small
from tests.support.cli import within

SCRIPT = """\
mkdir out
for game in alpha beta; do
    head -c 1024 $game.1 > half
    cat half $game.2 $game.1 | tr '\\000-\\377' '\\200-\\377\\000-\\177' > out/$game.rom
done
cat alpha.1 beta.1 > other.rom
cat alpha.2 > single.rom
cat beta.2 > twice.rom
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with dumps of two games, and a script that makes a ROM file of each, and others."""
    for number, name in enumerate(("alpha.1", "alpha.2", "beta.1", "beta.2")):
        (tmp_path / name).write_bytes(hashlib.shake_256(name.encode()).digest(4096 >> number % 2))
    (tmp_path / "make.sh").write_text(SCRIPT, encoding="utf-8")
    return tmp_path


def offered(text: str) -> tuple[str, list[str]]:
    """Return the layout, and each title, as a person takes them over from the comments."""
    lines = [line.removeprefix("#").removeprefix(" ") for line in text.partition("# 2 ROM files")[2].split("\n")[1:]]
    layout, _, titles = "\n".join(lines).partition("and each be a title, or a variant of one:")
    return layout, [title for title in re.split(r"\n\n[^\n]*\.rom\n", titles) if title.strip()]


def test_the_layout_that_is_offered_gives_the_files_that_the_script_makes(folder: Path) -> None:
    """The judge is the shell of the system, which runs the script in a folder of its own."""
    layout, titles = offered(within(folder, Translate, "make.sh").out)
    assert len(titles) == 2
    subprocess.run([require("sh"), "make.sh"], cwd=folder, check=True)
    project = small.small_project(folder / "project", {"inputs/cores/fern.toml": f"{small.CORE}\n{layout}"})
    for number, lines in enumerate(titles):
        text = f'name = "Game"\ncore = "fern"\n{lines}'
        (project / f"inputs/titles/game-{number}.toml").write_text(text, encoding="utf-8")
    dumps = {hashlib.sha256(path.read_bytes()).hexdigest(): path.read_bytes() for path in folder.glob("*.[12]")}
    made = {}
    for title in load(project / "inputs").titles.values():
        if title.layout:
            chips = {name: dumps[chip.content.sha256] for name, chip in title.chips.items()}
            (rom,) = title.roms
            made[rom.path] = assemble(title, rom, {name: chips[name] for name in chips_used(rom)})
    assert made == {f"out/{name}.rom": (folder / f"out/{name}.rom").read_bytes() for name in ("alpha", "beta")}


def test_json_has_the_layout_too(folder: Path) -> None:
    (layout,) = json.loads(within(folder, Translate, "make.sh", "--json").out)["layouts"]
    assert layout["sockets"] == {"socket-1": {"size": 4096}, "socket-2": {"size": 2048}}
    assert (layout["rom"]["path"], layout["rom"]["size"]) == ("out/{title}.rom", 1024 + 2048 + 4096)
    assert layout["titles"] == [
        {"file": "out/alpha.rom", "sockets": {"socket-1": "alpha", "socket-2": "alpha-2"}},
        {"file": "out/beta.rom", "sockets": {"socket-1": "beta", "socket-2": "beta-2"}},
    ]


def test_files_that_differ_in_more_than_their_chips_share_nothing(folder: Path) -> None:
    (folder / "make.sh").write_text("cat alpha.1 alpha.2 > a.rom\ncat alpha.2 beta.1 > b.rom\n", encoding="utf-8")
    assert "made the same way" not in within(folder, Translate, "make.sh").out
    (folder / "make.sh").write_text("cat alpha.1 alpha.2 > a.rom\ncat alpha.1 alpha.2 > b.rom\n", encoding="utf-8")
    assert "made the same way" not in within(folder, Translate, "make.sh").out
