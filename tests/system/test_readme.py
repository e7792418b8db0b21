"""README's two commands are the ones that are really used."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def commands() -> list[str]:
    return re.findall(r"^python3 -m venv .*$", README, re.MULTILINE)


def test_there_are_two_commands_one_line_each() -> None:
    build, test = commands()
    assert build.endswith("doit")
    assert test.endswith("pytest")


def test_the_gate_calls_the_second_command() -> None:
    assert (ROOT / ".ci" / "run").read_text(encoding="utf-8").rstrip().endswith("\n" + commands()[1])


def test_every_path_that_is_linked_exists() -> None:
    for document in ("README.md", "DEVELOPERS.md"):
        text = (ROOT / document).read_text(encoding="utf-8")
        for target in re.findall(r"\]\(([^)#:]+)\)", text):
            assert (ROOT / target).exists(), f"{document}: {target}"
