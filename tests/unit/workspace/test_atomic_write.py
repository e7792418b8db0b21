"""Several files that take their places together, or not at all."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from pipeline.workspace.atomic_write import replacing, write_together
from tests.support.cli import write_tree


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_tree(tmp_path, {"a.toml": "old a", "b.toml": "old b"})
    (tmp_path / "a.toml").chmod(0o640)
    return tmp_path


def held(folder: Path) -> dict[str, str]:
    return {path.name: path.read_text("utf-8") for path in sorted(folder.iterdir())}


def test_all_are_written_and_keep_their_permissions(folder: Path) -> None:
    write_together({folder / "a.toml": b"new a", folder / "c.toml": b"new c"})
    assert held(folder) == {"a.toml": "new a", "b.toml": "old b", "c.toml": "new c"}
    assert stat.S_IMODE((folder / "a.toml").stat().st_mode) == 0o640 or os.name != "posix"


@pytest.mark.parametrize("failing", ["write_bytes", "replace"])
@pytest.mark.parametrize("number", [1, 2, 3])
def test_what_was_there_comes_back_when_one_fails(
    folder: Path, failing: str, number: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, calls = getattr(Path, failing), list[Path]()

    def full(path: Path, argument: object) -> object:
        calls.append(path)
        if len(calls) == number:
            raise OSError(28, "No space left on device", str(path))
        return real(path, argument)

    monkeypatch.setattr(Path, failing, full)
    names = ("a.toml", "b.toml", "c.toml")
    with pytest.raises(OSError, match="No space left"):
        write_together({folder / name: b"new" for name in names})
    monkeypatch.undo()
    assert held(folder) == {"a.toml": "old a", "b.toml": "old b"}


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="there are no pipes here")
def test_a_pipe_or_link_in_the_way_of_a_temporary_name_is_removed(folder: Path) -> None:
    os.mkfifo(folder / "a.toml.part")
    (folder / "b.toml.part").symlink_to(folder / "outside")
    write_together({folder / "a.toml": b"new a", folder / "b.toml": b"new b"})
    assert held(folder) == {"a.toml": "new a", "b.toml": "new b"}


def test_a_name_as_long_as_file_systems_take_is_replaced_too(tmp_path: Path) -> None:
    """255 bytes are the most that ext4, XFS, APFS and NTFS take, and ".part" is added while a file is written."""
    for name in ("a" * 255, "ä" * 127):
        with replacing(tmp_path / name) as temporary:
            assert temporary.name.endswith(".part")
            temporary.write_bytes(b"new")
        assert (tmp_path / name).read_bytes() == b"new"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a" * 255, "ä" * 127]
