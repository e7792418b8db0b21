"""The index as a file: only a cache, whatever happens to it; and the hashes of single files it remembers."""

from __future__ import annotations

import random
import sqlite3
import subprocess
import sys
import textwrap
import time
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.errors import CheckError, MachineError
from pipeline.model.content import Content, Location
from pipeline.model.manifest import ArchiveLimits
from pipeline.sources import index as module
from pipeline.sources.files.database import VERSION
from pipeline.sources.files.digest import Digest, digest
from pipeline.sources.index import Index
from tests.unit.sources.looking import at, count_hashing, sha, want
from tests.unit.sources.zips import Hand, age, by_hand, pack, put

LIMITS = ArchiveLimits()
ROOT = Path(__file__).parents[3]


@pytest.fixture
def attic(tmp_path: Path) -> Path:
    put(tmp_path / "attic/x", b"abcde")
    for number in range(300):
        put(tmp_path / f"attic/deep/a rather long name so that many pages are filled {number}", b"%d" % number)
    pack(tmp_path / "attic/box.zip", {"y": b"12345"})
    return tmp_path / "attic"


def filled(path: Path, attic: Path) -> None:
    with Index(path) as index:
        index.scan([attic], LIMITS)
        assert index.find([want(b"abcde"), want(b"12345")]).missing == ()


def other_version(path: Path) -> None:
    connection = sqlite3.connect(path)
    connection.execute(f"PRAGMA user_version = {VERSION + 1}")
    connection.execute("UPDATE files SET sha256 = 'not for us to read'")
    connection.commit()
    connection.close()


def other_tables(path: Path) -> None:
    connection = sqlite3.connect(path)
    connection.execute("DROP TABLE members")
    connection.close()


def garbage(path: Path) -> None:
    path.write_bytes(random.Random(4).randbytes(50_000))


def truncated(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:4096])


def holes(path: Path) -> None:
    data = path.read_bytes()
    path.write_bytes(data[:4096] + random.Random(5).randbytes(len(data) - 4096))


def emptied(path: Path) -> None:
    path.write_bytes(b"")


@pytest.mark.parametrize("harm", [other_version, other_tables, garbage, truncated, holes, emptied, Path.unlink])
def test_a_damaged_or_foreign_index_is_made_anew(tmp_path: Path, attic: Path, harm: Callable[[Path], None]) -> None:
    path = tmp_path / "index.sqlite"
    filled(path, attic)
    harm(path)
    filled(path, attic)


@pytest.mark.parametrize("harm", [holes, other_tables])
def test_an_index_damaged_between_scan_and_search_is_made_anew(
    tmp_path: Path, attic: Path, harm: Callable[[Path], None]
) -> None:
    path = tmp_path / "index.sqlite"
    filled(path, attic)
    with Index(path) as index:
        index.scan([attic], LIMITS)
        harm(path)
        assert index.find([want(b"abcde"), want(b"12345")]).missing == ()
        assert index.content_of(attic / "x").size == 5


def test_a_damaged_index_nobody_scanned_for_is_not_taken_for_an_empty_one(tmp_path: Path, attic: Path) -> None:
    path = tmp_path / "index.sqlite"
    filled(path, attic)
    with Index(path) as index:
        other_tables(path)
        with pytest.raises(MachineError, match="the index cannot be used: no such table: members"):
            index.find([want(b"abcde")])
        index.scan([attic], LIMITS)
        assert index.find([want(b"abcde")]).missing == ()


def test_an_index_that_cannot_be_made_is_a_machine_error(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    with pytest.raises(MachineError) as caught:
        Index(tmp_path / "folder")
    assert str(caught.value) == (
        f"{tmp_path / 'folder'}: the index cannot be used: unable to open database file\n"
        "  hint: see that its folder can be written, the disk is not full and no other run uses it"
    )
    put(tmp_path / "file", b"")
    with pytest.raises(MachineError, match="cannot be read: "):
        Index(tmp_path / "file/below/index.sqlite")


def test_a_scan_that_is_broken_off_leaves_the_last_one(tmp_path: Path, attic: Path) -> None:
    def enough(seen: int) -> None:
        raise KeyboardInterrupt

    path = tmp_path / "index.sqlite"
    filled(path, attic)
    put(attic / "new", b"new")
    with Index(path) as index:
        with pytest.raises(KeyboardInterrupt):
            index.scan([attic], LIMITS, enough)
        assert len(index.find([want(b"new")]).missing) == 1
        assert index.find([want(b"abcde")]).missing == ()
        assert index.scan([attic], LIMITS).changed == 1


def test_a_run_killed_at_any_moment_leaves_an_index_that_is_right(tmp_path: Path, attic: Path) -> None:
    path, rng = tmp_path / "index.sqlite", random.Random(6)
    program = f"""
        import sys
        from pathlib import Path
        from pipeline.model.manifest import ArchiveLimits
        from pipeline.sources.index import Index
        from tests.sources.looking import want
        print("ready", flush=True)
        for number in range(10**9):
            with Index(Path({str(path)!r})) as index:
                index.scan([Path({str(attic)!r})][: number % 2], ArchiveLimits())
                index.find([want(b"%d" % n) for n in range(300)])
    """
    for _ in range(6):
        with subprocess.Popen(
            [sys.executable, "-c", textwrap.dedent(program)], cwd=ROOT, stdout=subprocess.PIPE
        ) as process:
            assert process.stdout is not None
            process.stdout.readline()
            time.sleep(rng.uniform(0, 0.4))
            process.kill()
        with Index(path) as index:
            scan = index.scan([attic], LIMITS)
            assert (scan.files, scan.members, scan.problems) == (302, 1, ())
            wanted = [want(b"%d" % number) for number in range(300)]
            assert index.find(wanted).missing == ()


# single files


def test_the_content_of_a_file_or_member_is_read_once(
    tmp_path: Path, attic: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    hashed: list[Location] = []

    def counting(location: Location) -> Digest:
        hashed.append(location)
        return digest(location)

    monkeypatch.setattr(module, "digest", counting)
    for _ in range(2):
        with Index(tmp_path / "index.sqlite") as index:
            for _ in range(2):
                assert index.content_of(attic / "x") == Content(
                    sha256=sha(b"abcde"), size=5, crc32=zlib.crc32(b"abcde")
                )
                assert index.content_at(at(attic / "box.zip", "y")).sha256 == sha(b"12345")
                assert index.content_at(at(attic / "box.zip")).sha256 != sha(b"12345")
    assert len(hashed) == 3


def test_many_come_in_their_order_and_what_was_hashed_before_one_fails_is_kept(
    tmp_path: Path, attic: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Index(tmp_path / "index.sqlite") as index:
        asked = [at(attic / "box.zip", "y"), at(attic / "x")]
        with pytest.raises(MachineError):
            index.contents_at([*asked, at(attic / "gone")])
        monkeypatch.setattr(module, "digest", None)
        assert [one.sha256 for one in index.contents_at(asked)] == [sha(b"12345"), sha(b"abcde")]


def test_a_scan_leaves_what_is_known_of_single_files_and_the_other_way_round(
    tmp_path: Path, attic: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    hashed = count_hashing(monkeypatch)
    with Index(tmp_path / "index.sqlite") as index:
        index.scan([attic], LIMITS)
        index.find([want(b"abcde")])
        index.content_of(attic / "x")
        index.scan([], LIMITS)
        monkeypatch.setattr(module, "digest", None)
        assert index.content_of(attic / "x").size == 5
    assert at(attic / "x") in hashed


def test_an_edited_file_is_read_again_and_a_young_one_every_time(tmp_path: Path) -> None:
    path = tmp_path / "x"
    with Index(tmp_path / "index.sqlite") as index:
        for number in range(40):
            data = b"%04d" % number
            path.write_bytes(data)
            assert index.content_of(path).sha256 == sha(data)
        age(path)
        assert index.content_of(path).sha256 == sha(data)
        put(path, b"edit")
        assert index.content_of(path).sha256 == sha(b"edit")


def test_a_file_that_changes_before_it_is_opened_is_not_remembered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = put(tmp_path / "x", b"abcde")
    hashed: list[bytes] = []

    def late(location: Location) -> Digest:
        if not hashed:
            path.write_bytes(b"young")
        hashed.append(path.read_bytes())
        return digest(location)

    monkeypatch.setattr(module, "digest", late)
    with Index(tmp_path / "index.sqlite") as index:
        for _ in range(2):
            assert index.content_of(path).sha256 == sha(b"young")
    assert hashed == [b"young", b"young"]


def test_a_file_that_is_gone_or_no_file_is_named(tmp_path: Path) -> None:
    path = put(tmp_path / "x", b"abcde")
    with Index(tmp_path / "index.sqlite") as index:
        index.content_of(path)
        path.unlink()
        with pytest.raises(MachineError) as caught:
            index.content_of(path)
        assert str(caught.value) == (
            f"{path}: cannot be read: No such file or directory\n  hint: make it readable, or put it back where it was"
        )
        with pytest.raises(MachineError, match="cannot be read: "):
            index.content_of(tmp_path)


def test_a_damaged_member_is_a_check_error(tmp_path: Path) -> None:
    path = put(tmp_path / "a.zip", by_hand(Hand(name=b"x", data=b"abc", crc32=1)))
    with Index(tmp_path / "index.sqlite") as index, pytest.raises(CheckError) as caught:
        index.content_at(at(path, "x"))
    assert str(caught.value) == (
        f"{path}: 'x' is damaged: bad CRC-32 for file 'x'\n"
        "  hint: get an undamaged copy, or unpack it into a folder and pack it anew"
    )
