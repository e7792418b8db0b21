"""``doit map`` as a person runs it: from manifests alone."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.support import small
from tests.support.cli import BYTECODE, own_command


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return small.small_project(tmp_path)


def test_each_range_is_a_line_with_where_its_bytes_are_from(folder: Path) -> None:
    ran = own_command(folder, "map", "snail-race")
    assert (ran.code, ran.err) == (0, "")
    assert ran.out == ("SNAIL.ROM, 2 KiB\n  0x0000 to 0x03FF  1 KiB  chip a1\n  0x0400 to 0x07FF  1 KiB  chip b1\n")


def test_the_same_as_json(folder: Path) -> None:
    ran = own_command(folder, "map", "--json", "snail-race")
    assert (ran.code, ran.err) == (0, "")
    document = json.loads(ran.out)
    assert (document["cardkiln-map"], document["title"]) == (1, "snail-race")
    assert [(part["start"], part["end"]) for part in document["rom-files"][0]["ranges"]] == [(0, 1024), (1024, 2048)]


def test_an_unknown_title_offers_the_nearest(folder: Path) -> None:
    ran = own_command(folder, "map", "snail-rase")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err == 'found "snail-rase", expected the id of a title\n  hint: did you mean "snail-race"?\n'


def test_a_reader_that_has_enough_is_no_error_to_tell_of(folder: Path) -> None:
    """As ``doit map ... | head`` closes the pipe."""
    reader, writer = os.pipe()
    os.close(reader)
    words = [sys.executable, "-m", "doit", "map", "snail-race"]
    ran = subprocess.run(
        words, cwd=folder, env={**os.environ, **BYTECODE}, stdout=writer, stderr=subprocess.PIPE, text=True, check=False
    )
    os.close(writer)
    assert (ran.returncode, ran.stderr) == (3, "")
