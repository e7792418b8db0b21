"""The index as a file: only a cache, whatever happens to it; and the hashes of single files it remembers."""

from __future__ import annotations

import os
import random
import sqlite3
import subprocess
import sys
import textwrap
import time
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any, NoReturn

import pytest

from pipeline.errors import CheckError, MachineError, Problem
from pipeline.model.content import Content, Location
from pipeline.model.manifest import ArchiveLimits
from pipeline.sources import index as module
from pipeline.sources.files.database import VERSION
from pipeline.sources.files.digest import Digest, digest
from pipeline.sources.files.read import read_content
from pipeline.sources.index import Index
from tests.support.fault_injection import sqlite_error
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
        with pytest.raises(MachineError, match="the index of source files is damaged: no such table: members"):
            index.find([want(b"abcde")])
        index.scan([attic], LIMITS)
        assert index.find([want(b"abcde")]).missing == ()


WARNING = "{}: the index of source files cannot be used: {}\n  hint: {}"
HINT = "the run goes on without; see that its folder can be written and the disk is not full"


def unheard(problem: Problem) -> NoReturn:
    """Take a warning that is not expected."""
    pytest.fail(str(problem))


def searched(index: Index, attic: Path) -> None:
    """Ask an index for everything, and hold it to the truth."""
    scan = index.scan([attic], LIMITS)
    assert (scan.files, scan.archives, scan.members, scan.problems) == (302, 1, 1, ())
    found = index.find([want(b"abcde"), want(b"12345"), want(b"299", sized=False)])
    assert found.missing == ()
    assert found.locations[sha(b"12345")] == at(attic / "box.zip", "y")
    assert index.content_of(attic / "x") == Content(sha256=sha(b"abcde"), size=5, crc32=zlib.crc32(b"abcde"))
    assert len(index.unwanted({sha(b"abcde")}, {5})) == 301


def test_an_index_that_cannot_be_made_is_done_without(tmp_path: Path, attic: Path) -> None:
    (tmp_path / "folder").mkdir()
    put(tmp_path / "file", b"")
    for path, why in (
        (tmp_path / "folder", "Is a directory"),
        (tmp_path / "file/below/index.sqlite", "Not a directory"),
    ):
        warned = list[str]()
        with Index(path, lambda problem: warned.append(str(problem))) as index:  # noqa: B023
            searched(index, attic)
        assert warned == [WARNING.format(path, why, HINT)]


@pytest.mark.skipif(os.name != "posix", reason="links and pipes are POSIX")
@pytest.mark.parametrize("name", ["index.sqlite", "index.sqlite-wal", "index.sqlite-shm", "index.sqlite-journal"])
def test_what_is_no_file_in_the_place_of_an_index_is_begun_anew(tmp_path: Path, attic: Path, name: str) -> None:
    theirs = put(tmp_path / "theirs", b"the user's own")

    def link(path: Path) -> None:
        path.symlink_to(theirs)

    def circle(path: Path) -> None:
        path.symlink_to(path)

    for make in (os.mkfifo, link, circle):
        filled(tmp_path / "state/index.sqlite", attic)
        (tmp_path / "state" / name).unlink(missing_ok=True)
        make(tmp_path / "state" / name)
        with Index(tmp_path / "state/index.sqlite", unheard) as index:
            searched(index, attic)
    assert theirs.read_bytes() == b"the user's own"


@pytest.mark.parametrize("name", ["index.sqlite", "index.sqlite-wal", "index.sqlite-shm", "index.sqlite-journal"])
def test_whatever_bytes_stand_in_the_place_of_an_index_are_no_index(tmp_path: Path, attic: Path, name: str) -> None:
    filled(tmp_path / "index.sqlite", attic)
    whole = (tmp_path / "index.sqlite").read_bytes()
    journal = bytes.fromhex("d9d505f920a163d7")  # how one begins (SQLite, "Database File Format")
    for data in (b"", b"\0", bytes(4096), random.Random(3).randbytes(70_000), whole, whole[:4096], journal + whole):
        filled(tmp_path / "index.sqlite", attic)
        (tmp_path / name).write_bytes(data)
        with Index(tmp_path / "index.sqlite", unheard) as index:
            searched(index, attic)


def test_any_flipped_bit_of_an_index_leaves_the_answers_right_or_is_noticed_where_they_are_used(
    tmp_path: Path, attic: Path
) -> None:
    """A flipped bit that changes what is remembered of a file is found by hashing where the content is read."""
    path, rng = tmp_path / "index.sqlite", random.Random(8)
    filled(path, attic)
    whole = path.read_bytes()
    for _ in range(60):
        data = bytearray(whole)
        data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
        path.write_bytes(data)
        with Index(path, unheard) as index:
            index.scan([attic], LIMITS)
            found = index.find([want(b"abcde"), want(b"12345"), want(b"299", sized=False)])
            wrong = False
            for sha256, location in found.locations.items():
                try:
                    assert sha(read_content(location, Content(sha256=sha256))) == sha256
                except (CheckError, MachineError):
                    wrong = True
            index.unwanted({sha(b"abcde")}, {5})
            if wrong:
                index.forget()
                searched(index, attic)


@pytest.mark.parametrize(
    "forgery",
    [
        "UPDATE files SET sha256 = {sha}",
        "UPDATE files SET sha256 = {sha}, crc32 = 'x'",
        "UPDATE files SET sha256 = zeroblob(64), crc32 = -1, place = 'x'",
        "UPDATE files SET size = 5",
        "UPDATE files SET size = 'x', archive = 'x', signature = x'00'",
        "UPDATE files SET path = CAST(path AS TEXT)",
        "UPDATE files SET path = path || x'00'",
        "UPDATE files SET archive = 1",
        "UPDATE members SET sha256 = {sha}, size = 5",
        "UPDATE members SET name = 'other'",
        "UPDATE members SET name = x'ff', size = 'x', crc32 = 'x'",
        "REPLACE INTO members SELECT path, 'y', 5, 0, {sha} FROM files",
        "UPDATE contents SET sha256 = {sha}",
        "UPDATE contents SET sha256 = 'x', size = 'x', crc32 = 'x', signature = 7",
        "UPDATE contents SET size = 1",
        "UPDATE limits SET text = x'ff'",
        "INSERT INTO faults SELECT path, x'1b5b33316d', 'hint' FROM files",
        "INSERT INTO forms VALUES ({sha}, {sha}, '', x'1b', x'1b')",
        "INSERT INTO tried VALUES ({sha}, x'ff', 5, 'x')",
        "CREATE TRIGGER t AFTER INSERT ON files BEGIN DELETE FROM files; END",
        "DROP INDEX files_by_size",
        "DROP TABLE contents",
        "ALTER TABLE files RENAME COLUMN size TO bytes",
    ],
)
def test_forged_rows_never_give_another_content(tmp_path: Path, attic: Path, forgery: str) -> None:
    path = tmp_path / "index.sqlite"
    filled(path, attic)
    with Index(path) as index:
        index.content_of(attic / "x")
    with sqlite3.connect(path) as connection:
        connection.execute(forgery.format(sha=f"'{sha(b'12345')}'"))
    connection.close()
    with Index(path, unheard) as index:
        wrong = False
        scan = index.scan([attic], LIMITS)
        assert all(str(problem).isprintable() or "\n  hint: " in str(problem) for problem in scan.problems)
        assert "\x1b" not in str(scan.problems)
        found = index.find([want(b"abcde"), want(b"12345")])
        for sha256, location in found.locations.items():
            try:
                assert sha(read_content(location, Content(sha256=sha256))) == sha256
            except CheckError:
                wrong = True
        known = index.content_of(attic / "x")
        try:
            assert sha(read_content(at(attic / "x"), known)) == known.sha256
        except CheckError:
            wrong = True
        if wrong:
            index.forget()
            searched(index, attic)


@pytest.mark.parametrize("code", ["SQLITE_FULL", "SQLITE_IOERR", "SQLITE_BUSY"])
def test_whichever_call_of_sqlite_fails_the_answers_are_right_and_it_is_said_once(
    tmp_path: Path, attic: Path, monkeypatch: pytest.MonkeyPatch, code: str
) -> None:
    calls = 0
    fail_at = 0

    class Failing(sqlite3.Connection):
        def execute(self, *values: Any) -> sqlite3.Cursor:
            self.count()
            return super().execute(*values)

        def executemany(self, *values: Any) -> sqlite3.Cursor:
            self.count()
            return super().executemany(*values)

        def count(self) -> None:
            nonlocal calls
            calls += 1
            if calls == fail_at:
                raise sqlite_error(getattr(sqlite3, code))

    connect = sqlite3.connect
    monkeypatch.setattr(sqlite3, "connect", lambda *values, **more: connect(*values, factory=Failing, **more))
    path = tmp_path / "index.sqlite"
    with Index(path) as index:
        searched(index, attic)
    for number in range(1, calls + 1):
        for name in tmp_path.glob("index.sqlite*"):
            name.unlink()
        calls, fail_at = 0, number
        warned = list[str]()
        with Index(path, lambda problem: warned.append(str(problem))) as index:  # noqa: B023
            searched(index, attic)
        assert warned == [WARNING.format(path, "disk I/O error", HINT)]


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
        from pipeline.sources.files.read import read_content
from pipeline.sources.index import Index
from tests.support.fault_injection import sqlite_error
        from tests.unit.sources.looking import want
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
