"""The rules of cmd, with wine's cmd as the judge, where it is installed."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.support.cli import write_tree
from tests.support.scripts import dumps
from tests.unit.translate.test_batch import RULES

WINE = shutil.which("wine")

OTHERWISE = {
    "a pattern for the target": "has no patterns for new names of copies",
    "echo": "does not redirect a block",
    "fc and &&": "has no fc",
    "fc and errorlevel": "has no fc",
    "fsutil": "has no fsutil file createnew",
    "set /a": "reckons without parentheses or hexadecimal numbers",
    "srec_cat": "starts no program of the machine by this name",
}
"""Rules that wine 8's cmd does not keep, and what it lacks."""


@pytest.mark.long
@pytest.mark.skipif(WINE is None, reason="wine is not installed")
def test_the_rules_are_what_a_cmd_does(tmp_path: Path) -> None:
    environment = {"PATH": os.environ["PATH"], "HOME": str(tmp_path), "WINEPREFIX": str(tmp_path / "prefix"),
                   "WINEDEBUG": "-all", "DISPLAY": ""}  # fmt: skip
    different = {}
    for number, (rule, (script, expected)) in enumerate(RULES.items()):
        folder = tmp_path / f"case-{number}"
        write_tree(folder, {**dumps(), "make.bat": "@echo off\r\n" + script.replace("\n", "\r\n") + "\r\n"})
        before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
        subprocess.run([str(WINE), "cmd", "/c", "make.bat"], cwd=folder, env=environment, stdin=subprocess.DEVNULL,
                       capture_output=True, check=False, timeout=120)  # fmt: skip
        made = {
            path.relative_to(folder).as_posix(): path.read_bytes()
            for path in folder.rglob("*")
            if path.is_file() and before.get(path) != path.read_bytes()
        }
        if made != expected:
            different[rule] = {file: len(data) for file, data in made.items()}
    assert different.keys() == OTHERWISE.keys(), different
