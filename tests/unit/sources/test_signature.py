from __future__ import annotations

import os
from pathlib import Path

import pytest

from pipeline.sources.files.signature import settled, signature

SECOND = 1_000_000_000


def test_an_untouched_file_keeps_its_signature(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"abc")
    assert signature(path.stat()) == signature(path.stat())


def test_a_folder_listing_and_the_file_itself_give_one_signature(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"abc")
    with os.scandir(tmp_path) as listing:
        (entry,) = listing
    assert signature(entry.stat()) == signature(path.stat())


@pytest.mark.skipif(os.name != "posix", reason="only POSIX keeps a time of change apart")
def test_an_edit_that_puts_size_and_modification_time_back_changes_the_signature(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"abc")
    os.utime(path, ns=(1, 1))
    before = path.stat()
    while path.stat().st_ctime_ns == before.st_ctime_ns:
        path.write_bytes(b"abd")
        os.utime(path, ns=(1, 1))
    assert path.stat().st_mtime_ns == before.st_mtime_ns
    assert signature(path.stat()) != signature(before)


@pytest.mark.skipif(os.name != "posix", reason="only POSIX has an inode in every stat")
def test_a_replaced_file_changes_the_signature(tmp_path: Path) -> None:
    one, two = tmp_path / "a", tmp_path / "b"
    for path in (one, two):
        path.write_bytes(b"abc")
        os.utime(path, ns=(1, 1))
    before = one.stat()
    two.replace(one)
    assert signature(one.stat()) != signature(before)


@pytest.mark.parametrize(
    ("age", "expected"),
    [
        (0, False),
        (2 * SECOND - 1, False),
        (2 * SECOND, True),
        (3600 * SECOND, True),
        (-1, False),
        (-SECOND, False),
        (-3600 * SECOND, True),  # a clock that was wrong: an edit would set the present time
    ],
)
def test_a_file_is_settled_two_seconds_from_its_modification(tmp_path: Path, age: int, expected: bool) -> None:
    path = tmp_path / "a"
    path.touch()
    os.utime(path, ns=(5000 * SECOND, 5000 * SECOND))
    assert settled(path.stat(), 5000 * SECOND + age) is expected
