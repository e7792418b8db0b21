"""A stamp says what an output was made from; it is believed only when everything still agrees."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import pytest

from pipeline.errors import MachineError
from pipeline.workspace.atomic_write import replacing, write_if_changed
from pipeline.workspace.stamp import NEW, Stamp, read_facts, stale, write_stamp
from tests.support.cli import sha256


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    kept: int


@pytest.fixture
def output(tmp_path: Path) -> Path:
    path = tmp_path / "MOTH.ROM"
    path.write_bytes(b"rom")
    write_stamp(tmp_path / "stamp", {"chip a1": "1", "chip b1": "2"}, {"MOTH.ROM": (path, sha256(path))}, {"kept": 1})
    return path


def why(output: Path, **inputs: str) -> str | None:
    named = {"chip a1": "1", "chip b1": "2", **{name.replace("_", " "): value for name, value in inputs.items()}}
    return stale(output.parent / "stamp", named, {"MOTH.ROM": output})


def test_same_inputs_and_an_untouched_output_are_current(output: Path) -> None:
    assert why(output) is None


def test_facts_are_kept(output: Path) -> None:
    assert read_facts(output.parent / "stamp", Facts) == Facts(kept=1)


def test_facts_of_another_kind_are_absent(output: Path) -> None:
    assert read_facts(output.parent / "stamp", Stamp) is None


def test_without_a_stamp_an_output_is_new(output: Path) -> None:
    (output.parent / "stamp").unlink()
    assert why(output) == NEW


def test_half_a_stamp_counts_as_none(output: Path) -> None:
    stamp = output.parent / "stamp"
    stamp.write_text(stamp.read_text(encoding="utf-8")[:40], encoding="utf-8")
    assert why(output) == NEW


def test_changed_inputs_are_named_the_first_three_of_them(output: Path) -> None:
    assert why(output, chip_b1="3") == "chip b1 changed"
    assert why(output, x1="", x2="", x3="", x4="") == "x1, x2, x3 and 1 more changed"


def test_an_output_touched_but_equal_is_current(output: Path) -> None:
    os.utime(output, ns=(1, 1))
    assert why(output) is None


def test_an_output_edited_with_size_and_time_put_back_is_noticed(output: Path) -> None:
    before = output.stat()
    output.write_bytes(b"mor")
    os.utime(output, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert why(output) == "MOTH.ROM was changed by another program"


@pytest.mark.skipif(os.name != "posix", reason="pipes are POSIX's")
def test_a_pipe_in_the_place_of_an_output_is_noticed(output: Path) -> None:
    output.unlink()
    os.mkfifo(output)
    assert why(output) == "MOTH.ROM is gone"


def test_an_output_that_is_gone_is_noticed(output: Path) -> None:
    output.unlink()
    assert why(output) == "MOTH.ROM is gone"


def test_a_file_being_replaced_keeps_its_old_bytes_until_all_is_well(tmp_path: Path) -> None:
    path = tmp_path / "card.img"
    path.write_bytes(b"old")

    def fail_half_way() -> None:
        with replacing(path) as temporary:
            temporary.write_bytes(b"half")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail_half_way()
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]
    with replacing(path) as temporary:
        temporary.write_bytes(b"new")
        assert path.read_bytes() == b"old"
    assert path.read_bytes() == b"new"
    assert list(tmp_path.iterdir()) == [path]


def test_equal_bytes_are_not_written_again(tmp_path: Path) -> None:
    path = tmp_path / "plan.json"
    assert write_if_changed(path, b"a")
    before = path.stat()
    assert not write_if_changed(path, b"a")
    assert path.stat() == before
    assert write_if_changed(path, b"b")
    assert path.read_bytes() == b"b"


def test_a_project_that_was_removed_does_not_come_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "project"
    folder.mkdir()
    monkeypatch.chdir(folder)
    folder.rmdir()
    with (
        pytest.raises(MachineError, match=r"^the working folder is gone\n  hint: change to a folder that exists$"),
        replacing(folder / "build/cards/desk/plan.json"),
    ):
        pass
    assert not folder.exists()
