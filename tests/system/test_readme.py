"""README's two commands are the ones that are really used."""

from __future__ import annotations

import re
import sys
from pathlib import Path

from pipeline.engine import help_text
from tests.support.cli import COMMANDS, call
from tests.unit.bitstreams.samples import made
from tests.unit.sources.zips import pack

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


NO_FPGA_YET = r"^warning \(.*the board names no FPGA\n  see .*\n  hint: .*\n"
"""What README says of the first build."""


def commands() -> list[str]:
    return re.findall(r"^python3 -m venv .*$", README, re.MULTILINE)


def test_there_are_two_commands_one_line_each() -> None:
    build, test = commands()
    assert build.endswith("doit")
    assert test.endswith("pytest")


def test_the_gate_calls_the_second_command() -> None:
    assert (ROOT / ".ci" / "run").read_text(encoding="utf-8").rstrip().endswith("\n" + commands()[1])


def test_every_path_that_is_linked_exists() -> None:
    for document in ("README.md", "DEVELOPERS.md", "inputs/README.md", "schemas/README.md"):
        path = ROOT / document
        for target in re.findall(r"\]\(([^)#:]+)\)", path.read_text(encoding="utf-8")):
            assert (path.parent / target).exists(), f"{document}: {target}"


def test_it_is_short_and_lists_every_command_with_the_line_of_its_help() -> None:
    assert len(README.splitlines()) <= 250
    rows = re.findall(r"^\| `doit (\w+)[^|]*` \| (.*) \|$", README, re.MULTILINE)
    names = {name for name, _ in rows} - {"plan"}  # its row stands for all outputs of a card
    assert COMMANDS.keys() - names == {"version"}  # the first own card has it
    assert [name for name in names if (name, help_text.purpose(name)) not in rows] == []


def test_the_tour_of_the_demo_names_all_of_it() -> None:
    tour = (ROOT / "inputs/README.md").read_text(encoding="utf-8")
    for folder in ("boards", "cores", "cards"):
        for path in (ROOT / "inputs" / folder).glob("*.toml"):
            assert f"({folder}/{path.name})" in tour


def blocks(section: str) -> list[str]:
    """Return the code blocks of a section of README, each with its kind as the first line."""
    text = README.partition(f"\n## {section}\n")[2].partition("\n## ")[0]
    return re.findall(r"^```(.*?)^```", text, re.MULTILINE | re.DOTALL)


def assert_shown(shown: str, said: str) -> None:
    """Hold what was said against a sample, in which "..." and every time stand for anything."""
    timeless = re.sub(r"\d+\.\d s", "... s", shown.strip())
    pattern = re.escape(timeless).replace(re.escape("..."), ".*")
    assert re.fullmatch(pattern, said.strip(), re.DOTALL), said


def run(folder: Path, block: str) -> Path:
    """Run the commands of a block, and hold what they say against it. Return the folder."""
    for part in block.strip().split("$ ")[1:]:
        command, _, told = part.partition("\n")
        if command.startswith("cd "):
            folder /= command.removeprefix("cd ")
            continue
        ran = call(folder, [sys.executable, "-m", *command.split()])
        assert ran.code == 0, ran.err
        assert re.sub(NO_FPGA_YET, "", ran.err) == ""
        assert_shown(told, ran.out)
    return folder


def fill_in(folder: Path, block: str) -> None:
    """Set the keys of a block in the files that its comments name, blanks first."""
    for line in block.splitlines()[1:]:
        if line.startswith("# "):
            path = folder / line.removeprefix("# ")
            continue
        key, text = line.partition(" = ")[0], path.read_text("utf-8")
        blank = re.search(rf"^{key} = .*<blank>.*$", text, re.MULTILINE)
        old = blank or re.search(rf"^{key} = .*$", text, re.MULTILINE)
        assert old, line
        path.write_text(text[: old.start()] + line + text[old.end() :], "utf-8")


def test_the_first_own_card_is_made_as_it_says(tmp_path: Path) -> None:
    release = {"glow.bit": made("ecp5-25k.bit"), "README.md": b"Needs 8 KiB of ROM.", "LICENSE": b"CC0-1.0"}
    pack(tmp_path / "glow-1.2.zip", release)
    (tmp_path / "dumps").mkdir()
    for name in ("4t", "4u"):
        (tmp_path / "dumps" / f"{name}.bin").write_bytes(name.encode() * 2048)
    start, values, build = blocks("Your first own card")
    folder = run(tmp_path, start)
    fill_in(folder, values)
    run(folder, build)
    assert (folder / "build" / "cards" / "my-card" / "card.img").is_file()
