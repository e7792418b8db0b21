"""Scripts as people write them: what the drafted title builds is, byte for byte, what the shell or make made.

The judges are the machine's own dash, bash, GNU make, coreutils, xxd, srec_cat and objcopy.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.support.cli import ROOT, write_tree
from tests.support.scripts import built, dumps, followed, run_in

SCRIPTS = sorted(path for path in (ROOT / "tests/cases/scripts").iterdir() if path.suffix not in (".bat", ".cmd"))


def test_there_are_40_scripts() -> None:
    assert len(SCRIPTS) >= 40


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
def test_a_script_as_people_write_them_is_followed_to_the_byte(tmp_path: Path, script: Path) -> None:
    inputs, text = dumps(), script.read_bytes()
    write_tree(tmp_path, {**inputs})
    shell = "make" if script.name.endswith(("Makefile", ".mk")) else "bash" if b"bash" in text[:20] else "sh"
    if shell == "make" and not shutil.which("make"):
        pytest.skip("make is not installed")
    translation = followed(script.name, text, inputs)
    assert not translation.is_open, translation.remarks
    (tmp_path / script.name).write_bytes(text.replace(b"\r\n", b"\n"))
    assert built(translation, inputs) == run_in(tmp_path, tmp_path / script.name, shell)
