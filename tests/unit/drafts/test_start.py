"""``doit start``: a folder that builds at once, made as a whole or not at all."""

from __future__ import annotations

import errno
import json
import os
import re
import subprocess
import sys
import tomllib
from itertools import pairwise
from pathlib import Path

import pytest

from pipeline.commands.start import Start
from pipeline.commands.version import Version
from pipeline.manifest.files import KINDS
from pipeline.manifest.load import load
from pipeline.manifest.schema.copies import schemas
from pipeline.resources import VERSION
from tests.support.cli import BYTECODE, ROOT, call, within

HEAD_OR_KEY = re.compile(r"\[|[a-z0-9-]+ = ")


@pytest.fixture
def started(tmp_path: Path) -> Path:
    ran = within(tmp_path, Start, "club")
    assert (ran.code, ran.err) == (0, "")
    assert ran.out == "made    club: 21 files\nnext    read club/README.md, run doit there\n"
    return tmp_path / "club"


def test_the_folder_builds_at_once_with_plain_doit_and_then_is_up_to_date(started: Path) -> None:
    words = [sys.executable, "-m", "doit"]
    first = call(started, words)
    assert (first.code, first.err) == (0, "")
    assert first.out.startswith("check   1 board, 1 core, 1 title, 1 card: no problems\n")
    assert (started / "build" / "cards" / "my-card" / "record.json").is_file()
    second = call(started, words)
    assert "rom " not in second.out


def test_it_has_what_a_project_under_version_control_needs(started: Path) -> None:
    assert (started / ".gitignore").read_text("utf-8").split() == [
        "/build/", "/dist/", "/inputs/sources.local.toml", "/.venv/", "__pycache__/",
    ]  # fmt: skip
    assert (started / "requirements.txt").read_text("utf-8") == VERSION.replace(" ", "[store]==") + "\n"
    assert (started / ".ci" / "card").read_bytes() == (ROOT / ".ci" / "card").read_bytes()
    assert os.access(started / ".ci" / "card", os.X_OK) or sys.platform == "win32"
    assert len((started / "README.md").read_text("utf-8").split()) < 500


def test_git_leaves_out_what_is_built_and_what_is_this_machines_own(started: Path) -> None:
    subprocess.run(["git", "init", "-q"], cwd=started, check=True)
    asked = ["build/x", "dist/x", "inputs/sources.local.toml", "inputs/cards/build.toml", "inputs/files/example/u1.bin"]
    listed = subprocess.run(["git", "check-ignore", *asked], cwd=started, capture_output=True, text=True, check=False)
    assert listed.stdout.split() == asked[:3]


def test_each_manifest_names_a_schema_that_is_there(started: Path) -> None:
    manifests = sorted((started / "inputs").rglob("*.toml"))
    assert len(manifests) == len(KINDS)
    for path in manifests:
        line = path.read_text("utf-8").splitlines()[0]
        schema = path.parent / line.removeprefix("#:schema ")
        assert schema.resolve().parent == started / "schemas"
        assert schema.read_bytes() == schemas()[schema.name]


def test_every_key_of_the_manifests_has_a_comment_of_its_own_above_it(started: Path) -> None:
    for path in (started / "inputs").rglob("*.toml"):
        lines = path.read_text("utf-8").splitlines()
        for above, line in pairwise(lines):
            assert above.startswith("# ") or not HEAD_OR_KEY.match(line), f"{path.name}: {line}"


def test_whatever_is_invented_of_board_core_title_and_station_is_marked(started: Path) -> None:
    for kind in ("boards", "cores", "titles", "stations"):
        (path,) = (started / "inputs" / kind).iterdir()
        lines = path.read_text("utf-8").splitlines()
        for above, line in pairwise(lines):
            is_reference = line.startswith(("boards = ", "core = "))
            if not line.startswith("[") and HEAD_OR_KEY.match(line) and not is_reference:
                assert above.endswith(" INVENTED"), f"{path.name}: {line}"


def test_the_tables_to_fill_in_are_valid_without_their_comment_signs(started: Path) -> None:
    for path in (started / "inputs").rglob("my-*.toml"):
        text = re.sub(r"^# (\[[a-z]+\]|[a-z]+ = \"\")$", r"\1", path.read_text("utf-8"), flags=re.MULTILINE)
        path.write_text(text.replace('= ""', '= "X"'), "utf-8")
        assert {"board": "fpga", "core": "rights", "title": "rights"}.get(path.parent.name[:-1], "name") in (
            tomllib.loads(path.read_text("utf-8"))
        )
    load(started / "inputs")


def test_an_empty_folder_that_is_there_is_filled(tmp_path: Path) -> None:
    (tmp_path / "club").mkdir()
    ran = within(tmp_path / "club", Start, ".", "--json")
    document = json.loads(ran.out)
    files = sorted(path.relative_to(tmp_path / "club").as_posix() for path in tmp_path.rglob("*") if path.is_file())
    assert document == {"cardkiln-start": 1, "folder": ".", "written": files}


@pytest.mark.parametrize(
    ("existing", "asked", "message"),
    [
        ({"club/a": b"", "club/b": b""}, "club", "club: holds a and 1 more; expected an empty folder\n"
         "  hint: nothing is written over: choose a folder that does not exist\n"),
        ({"club/.git/HEAD": b""}, "club", "club: holds .git; expected an empty folder\n"
         "  hint: nothing is written over: choose a folder that does not exist\n"),
        ({"club": b""}, "club", "club: is not a folder\n  hint: choose a name that does not exist\n"),
        ({}, "club/cards", "club/cards: the folder above it does not exist\n  hint: make that folder first\n"),
    ],
)  # fmt: skip
def test_a_target_that_cannot_be_is_one_message_and_stays_as_it_is(
    existing: dict[str, bytes], asked: str, message: str, tmp_path: Path
) -> None:
    for name, data in existing.items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(data)
    before = sorted(tmp_path.rglob("*"))
    ran = within(tmp_path, Start, asked)
    assert (ran.code, ran.out, ran.err) == (2, "", message)
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.parametrize("is_there", [False, True])
@pytest.mark.parametrize("last", [0, 1, 20])
@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EACCES])
def test_a_full_disk_or_a_missing_permission_leaves_nothing(
    is_there: bool, last: int, number: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The call that writes the file numbered ``last`` fails, as write(2) and open(2) of POSIX.1-2024 may."""
    if is_there:
        (tmp_path / "club").mkdir()
    before, write, count = sorted(tmp_path.rglob("*")), Path.write_bytes, iter(range(100))

    def failing(path: Path, data: bytes) -> int:
        if next(count) < last:
            return write(path, data)
        write(path, data[:5])
        raise OSError(number, os.strerror(number), str(path))

    monkeypatch.setattr(Path, "write_bytes", failing)
    ran = within(tmp_path, Start, "club")
    assert (ran.code, ran.out) == (3, "")
    assert ran.err == (
        f"club: cannot be made: {os.strerror(number)}\n"
        "  hint: make room on the disk, check the permissions, or choose another folder\n"
    )
    assert sorted(tmp_path.rglob("*")) == before


def test_what_a_killed_start_left_is_named(tmp_path: Path) -> None:
    (tmp_path / "club.part").mkdir()
    ran = within(tmp_path, Start, "club")
    assert (ran.code, ran.err) == (
        3,
        "club: cannot be made, since club.part exists already\n  hint: an interrupted start left it: remove it\n",
    )


def check_of(folder: Path) -> tuple[int, str]:
    words = [sys.executable, "-m", "doit", "check"]
    done = subprocess.run(
        words, cwd=folder, env={**os.environ, **BYTECODE}, capture_output=True, text=True, check=False
    )
    return done.returncode, done.stderr


def test_check_warns_of_schemas_of_another_version_until_they_are_renewed(started: Path) -> None:
    assert check_of(started) == (0, "")
    path = started / "schemas" / "card.schema.json"
    own = path.read_bytes()
    path.write_bytes(own.replace(b"\n", b"\r\n"))  # as a checkout on Windows may have it: no other version
    assert check_of(started) == (0, "")
    path.write_bytes((ROOT / "schemas" / path.name).read_bytes())  # as the program itself goes by them
    assert check_of(started) == (0, "")
    path.write_bytes(own.replace(b"Name", b"name"))
    assert check_of(started) == (
        0,
        f"warning: schemas: card.schema.json: not the schemas of {VERSION}, so editors may explain keys wrongly\n"
        "  hint: doit start --schemas . renews them\n",
    )
    ran = within(started, Start, "--schemas", ".")
    assert (ran.code, ran.out, ran.err) == (0, f"renewed 1 schema of {VERSION} in .\n", "")
    assert path.read_bytes() == own
    assert check_of(started) == (0, "")


def test_schemas_are_renewed_only_where_there_are_some(tmp_path: Path) -> None:
    ran = within(tmp_path, Start, "--schemas", ".")
    assert (ran.code, ran.err) == (
        2,
        ".: has no folder schemas\n  hint: name the folder that has dodo.py in it\n",
    )
    assert list(tmp_path.iterdir()) == []


def test_the_version_is_the_one_of_pyproject(tmp_path: Path) -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    ran = within(tmp_path, Version)
    assert ran.out.splitlines()[0].split() == ["cardkiln", project["version"]]
    assert json.loads(within(tmp_path, Version, "--json").out)["cardkiln"] == project["version"]
