"""The index as a SQLite file: only a cache, so another version or a damaged file is thrown away and begun anew."""

from __future__ import annotations

import contextlib
import sqlite3
import stat
import weakref
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

from pipeline.model.text import shown
from pipeline.sources.files.archive import Fault, Listing
from pipeline.sources.files.digest import Digest
from pipeline.sources.files.entry import SourceEntry

PAGE = 1000
"""Files that are fetched together where all are gone through."""

VERSION = 4
"""Of the tables, of what is refused and of the forms that are tried; kept as SQLite's ``user_version``."""

TABLES = (
    """CREATE TABLE files (path BLOB PRIMARY KEY, place INTEGER NOT NULL, signature TEXT NOT NULL,
    archive INTEGER NOT NULL, size INTEGER NOT NULL, sha256 TEXT, crc32 INTEGER) WITHOUT ROWID""",
    """CREATE TABLE members (archive BLOB NOT NULL, name TEXT NOT NULL, size INTEGER NOT NULL, crc32 INTEGER,
    sha256 TEXT, PRIMARY KEY (archive, name)) WITHOUT ROWID""",
    """CREATE TABLE faults (archive BLOB NOT NULL, what TEXT NOT NULL, hint TEXT NOT NULL)""",
    """CREATE TABLE contents (path BLOB NOT NULL, member TEXT NOT NULL, sha256 TEXT NOT NULL, crc32 INTEGER NOT NULL,
    size INTEGER NOT NULL, signature TEXT NOT NULL, PRIMARY KEY (path, member)) WITHOUT ROWID""",
    "CREATE TABLE limits (text TEXT NOT NULL)",
    """CREATE TABLE tried (source TEXT NOT NULL, second TEXT NOT NULL, size INTEGER NOT NULL, heads BLOB NOT NULL,
    PRIMARY KEY (source, second, size)) WITHOUT ROWID""",
    """CREATE TABLE forms (sha256 TEXT NOT NULL, source TEXT NOT NULL, second TEXT NOT NULL, how TEXT NOT NULL,
    change TEXT NOT NULL, PRIMARY KEY (sha256, source, second)) WITHOUT ROWID""",
    "CREATE INDEX files_by_size ON files (size)",
    "CREATE INDEX members_by_size ON members (size)",
    "CREATE INDEX faults_by_archive ON faults (archive)",
)
"""``path`` and ``archive`` are bytes as the operating system spells them. ``contents``: files asked for one by one.
``tried``: the first bytes of the SHA-256 of every form of a size that files have, by the SHA-256 of the file, or of two
("second" is "" for one); ``forms``: those among them that were wanted."""

SHA256 = "CASE WHEN {0} NOT GLOB '*[^0-9a-f]*' AND length(CAST({0} AS TEXT)) = 64 THEN CAST({0} AS TEXT) END"
FILES = f"SELECT place, path, NULL, size, CAST(crc32 AS INTEGER), {SHA256.format('sha256')} FROM files"  # noqa: S608
MEMBERS = f"""ifnull(CAST(name AS TEXT), ''), ifnull(CAST(members.size AS INTEGER), 0),
    CAST(members.crc32 AS INTEGER), {SHA256.format("members.sha256")} FROM members"""
SOURCES = f"""{FILES} {{0}} UNION ALL
    SELECT place, path, {MEMBERS} JOIN files ON path = members.archive {{1}}"""  # no text from outside in any of these
"""What is read is brought to its type, as rows may have been damaged; ``files`` was held to what is there by a scan."""


BEHIND = b"\xff"
"""Comes after every path: those of POSIX begin with a slash, those of Windows with a drive or a backslash."""


def _files(path: Path) -> list[Path]:
    """Return the files that SQLite keeps for a database.

    Source: SQLite's documentation, "Temporary Files Used By SQLite".
    """
    return [Path(f"{path}{suffix}") for suffix in ("", "-wal", "-shm", "-journal")]


def _is_file_or_nothing(path: Path) -> bool:
    """Whether SQLite may open it; it would follow a link, and wait for a pipe."""
    try:
        return stat.S_ISREG(path.lstat().st_mode)
    except FileNotFoundError:
        return True


def _remove(path: Path) -> None:
    """Remove a database with all its files; raises OSError where a folder is in their place."""
    for file in _files(path):
        file.unlink(missing_ok=True)


DAMAGED = frozenset(
    {
        sqlite3.SQLITE_ERROR, sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_FORMAT,
        sqlite3.SQLITE_CONSTRAINT, sqlite3.SQLITE_MISMATCH, sqlite3.SQLITE_TOOBIG,
    }
)  # fmt: skip


class FormRow(NamedTuple):
    """A form of a file, or of two: its SHA-256, those of the files (no second: ""), how they differ, and the change."""

    sha256: str
    source: str
    second: str
    how: str
    change: str


class TriedRow(NamedTuple):
    """The forms of one size that a file, or two, were found to have: the first bytes of the SHA-256 of each."""

    source: str
    second: str
    size: int
    heads: bytes


def is_damage(error: sqlite3.Error) -> bool:
    """Whether an error means that the file is no index of ours any more, rather than locked, full or forbidden.

    Source: SQLite's documentation, "Result and Error Codes".
    """
    return getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & 0xFF in DAMAGED


class Database:
    """The open SQLite file, or an index in memory. Every change is one transaction: a run can be killed at any moment.

    ``path``: None for memory. Raises ``sqlite3.Error`` from every method, and OSError where files are made or removed.
    """

    def __init__(self, path: Path | None) -> None:
        self.path = path
        if path is not None:
            path.parent.mkdir(parents=True, exist_ok=True)
            if not all(_is_file_or_nothing(file) for file in _files(path)):
                _remove(path)
        try:
            self._connect()
        except sqlite3.Error as error:
            if not is_damage(error):
                raise
            self.throw_away()

    def _connect(self) -> None:
        # whichever thread lets go of it last closes it
        self._sql = sqlite3.connect(self.path or ":memory:", isolation_level=None, timeout=30, check_same_thread=False)
        try:
            self._sql.execute("PRAGMA trusted_schema = OFF")
            self._sql.execute("PRAGMA journal_mode = WAL")
            self._sql.execute("PRAGMA synchronous = NORMAL")
            with self.transaction():
                (version,) = self._sql.execute("PRAGMA user_version").fetchone()
                if version == 0:
                    for statement in (*TABLES, f"PRAGMA user_version = {VERSION}"):
                        self._sql.execute(statement)
                made = {sql for (sql,) in self._sql.execute("SELECT sql FROM sqlite_master")}
                if version not in (0, VERSION) or made != {*TABLES}:
                    raise sqlite3.DatabaseError(f"no index of version {VERSION}")
            self._sql.execute("CREATE TEMP TABLE sizes (size INTEGER PRIMARY KEY)")
        except BaseException:
            self._sql.close()
            raise
        weakref.finalize(self, self._sql.close)  # so that SQLite tidies its files however the process ends

    def throw_away(self) -> None:
        """Begin anew with an empty index."""
        self._sql.close()
        if self.path is not None:
            _remove(self.path)
        self._connect()

    def close(self) -> None:
        """Let go of the file."""
        self._sql.close()

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Make everything inside happen completely or not at all."""
        self._sql.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._sql.execute("COMMIT")
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                self._sql.execute("ROLLBACK")
            raise

    def known(self) -> dict[bytes, tuple[int, str, int, int]]:
        """Return place, signature, 1 if it is read as an archive, else 0, and size of every file of the places."""
        rows = self._sql.execute("SELECT path, place, signature, archive, size FROM files")
        return {row[0]: row[1:] for row in rows}

    def limits(self) -> str:
        """Return the archive limits of the last scan as text, "" before the first."""
        row = self._sql.execute("SELECT text FROM limits").fetchone()
        return str(row[0]) if row else ""

    def set_limits(self, text: str) -> None:
        """Remember the archive limits of this scan."""
        self._sql.execute("DELETE FROM limits")
        self._sql.execute("INSERT INTO limits VALUES (?)", (text,))

    def put_files(self, files: Iterable[tuple[bytes, int, str, int, int]]) -> None:
        """Add or replace files: path, place, signature, 1 if an archive, size. Their hashes are forgotten."""
        self._sql.executemany("REPLACE INTO files VALUES (?, ?, ?, ?, ?, NULL, NULL)", files)

    def move_files(self, files: Iterable[tuple[bytes, int]]) -> None:
        """Give files another place's number: path, place."""
        self._sql.executemany("UPDATE files SET place = ?2 WHERE path = ?1", files)

    def put_listing(self, path: bytes, listing: Listing) -> None:
        """Add what an archive holds."""
        members = ((path, m.name, m.size, m.crc32) for m in listing.members)
        self._sql.executemany("REPLACE INTO members VALUES (?, ?, ?, ?, NULL)", members)
        self._sql.executemany("INSERT INTO faults VALUES (?, ?, ?)", ((path, f.what, f.hint) for f in listing.faults))

    def forget_listings(self, paths: Iterable[bytes]) -> None:
        """Forget what archives hold."""
        rows = [(path,) for path in paths]
        self._sql.executemany("DELETE FROM members WHERE archive = ?", rows)
        self._sql.executemany("DELETE FROM faults WHERE archive = ?", rows)

    def forget_files(self, paths: Iterable[bytes]) -> None:
        """Forget files; the listings of archives are forgotten apart."""
        self._sql.executemany("DELETE FROM files WHERE path = ?", ((path,) for path in paths))

    def faults(self) -> list[tuple[bytes, Fault]]:
        """Return what is wrong with archives, sorted."""
        rows = self._sql.execute("SELECT archive, what, hint FROM faults ORDER BY archive, what, hint")
        return [(archive, Fault(shown(what), shown(hint))) for archive, what, hint in rows]

    def check_number(self, files: int) -> None:
        """Raise ``sqlite3.DatabaseError`` unless so many files are known; damaged tables keep what was removed."""
        (count,) = self._sql.execute("SELECT COUNT(*) FROM files NOT INDEXED").fetchone()
        if count != files:
            raise sqlite3.DatabaseError(f"{count} files instead of {files}")

    def members(self) -> int:
        """Return how many members of archives can be used."""
        return int(self._sql.execute("SELECT COUNT(*) FROM members").fetchone()[0])

    def sources(self) -> Iterator[SourceEntry]:
        """Yield all files and members, in no order."""
        yield from map(SourceEntry._make, self._sql.execute(SOURCES.format("", "")))

    def sources_of(self, sizes: Iterable[int]) -> Iterator[SourceEntry]:
        """Yield the files and members of these sizes, in no order."""
        self._set_sizes(sizes)
        query = SOURCES.format("WHERE size IN sizes", "WHERE members.size IN sizes")
        yield from map(SourceEntry._make, self._sql.execute(query))

    def in_order(self, sizes: Iterable[int] | None = None) -> Iterator[SourceEntry]:
        """Yield the files and members, those of these sizes where some are given, the preferred first.

        No more than a page of files, or the members of one archive, are in memory at a time, and digests may be
        remembered meanwhile. One such iterator at a time.
        """
        if sizes is not None:
            self._set_sizes(sizes)
        some, known = ("TRUE", "TRUE") if sizes is None else ("size IN sizes", "+size IN sizes")  # + keeps to the key
        pages, archives = defaultdict[int, list[bytes]](list), defaultdict[int, list[bytes]](list)
        files = self._sql.execute(f"SELECT place, path FROM files WHERE {some} ORDER BY place, path")  # noqa: S608
        for number, (place, path) in enumerate(files):
            if number % PAGE == 0 or place not in pages:
                pages[place].append(path)
        query = f"""SELECT place, path FROM files
            WHERE path IN (SELECT archive FROM members WHERE {some}) ORDER BY place, path"""  # noqa: S608
        for place, path in self._sql.execute(query):
            archives[place].append(path)
        page = f"{FILES} WHERE {known} AND place = ? AND path >= ? AND path < ? ORDER BY path"
        members = f"SELECT {MEMBERS} WHERE {known} AND archive = ? ORDER BY name"
        for place in sorted({*pages, *archives}):
            for start, end in pairwise([*pages[place], BEHIND]):
                yield from map(SourceEntry._make, self._sql.execute(page, (place, start, end)).fetchall())
            for path in archives[place]:
                for row in self._sql.execute(members, (path,)).fetchall():
                    yield SourceEntry(place, path, *row)

    def cost_of_unhashed(self, sizes: Iterable[int] | None, each: int) -> int:
        """Return the bytes of the files and members, of these sizes where some are given, that have no SHA-256 yet.

        A file or member counts for ``each`` bytes more.
        """
        if sizes is not None:
            self._set_sizes(sizes)
        of_size = "TRUE" if sizes is None else "size IN sizes"
        query = "SELECT ifnull(sum(size + ?), 0) FROM {} WHERE sha256 IS NULL AND {}"
        return sum(self._sql.execute(query.format(t, of_size), (each,)).fetchone()[0] for t in ("files", "members"))

    def _set_sizes(self, sizes: Iterable[int]) -> None:
        self._sql.execute("DELETE FROM sizes")
        self._sql.executemany("INSERT OR IGNORE INTO sizes VALUES (?)", ((size,) for size in sizes))

    def remember(self, digests: Sequence[tuple[SourceEntry, Digest]]) -> bool:
        """Keep digests of sources whose file is still what the last scan saw; return whether that was done with all."""
        files, members, seen = [], [], dict[bytes, str | None]()
        with self.transaction():
            for source, digest in digests:
                if source.path not in seen:
                    query = "SELECT CAST(signature AS TEXT) FROM files WHERE path = ?"
                    seen[source.path] = next(self._sql.execute(query, (source.path,)), (None,))[0]
                if seen[source.path] != digest.signature:
                    continue
                if source.member is None:
                    files.append((digest.sha256, digest.crc32, source.path))
                else:
                    members.append((digest.sha256, digest.crc32, source.path, source.member))
            self._sql.executemany("UPDATE files SET sha256 = ?, crc32 = ? WHERE path = ?", files)
            self._sql.executemany("UPDATE members SET sha256 = ?, crc32 = ? WHERE archive = ? AND name = ?", members)
        return len(files) + len(members) == len(digests)

    def contents(self, first: tuple[bytes, str], last: tuple[bytes, str]) -> dict[tuple[bytes, str], Digest]:
        """Return what is remembered of files (path, "") and members (path, name) from one to another, both included.

        Whether or not they lie in a place; in the order of the bytes of paths, then of names.
        """
        query = f"""SELECT path, member, {SHA256.format("sha256")}, CAST(crc32 AS INTEGER), CAST(size AS INTEGER),
            CAST(signature AS TEXT) FROM contents
            WHERE (path, member) >= (?, ?) AND (path, member) <= (?, ?)"""  # noqa: S608  # as above
        rows = self._sql.execute(query, (*first, *last))
        return {(row[0], row[1]): Digest._make(row[2:]) for row in rows if None not in row}

    def put_contents(self, digests: Iterable[tuple[bytes, str, Digest]]) -> None:
        """Remember digests of files or members (path, member, digest), whether or not they lie in a place."""
        rows = ((path, member, *digest) for path, member, digest in digests)
        with self.transaction():
            self._sql.executemany("REPLACE INTO contents VALUES (?, ?, ?, ?, ?, ?)", rows)

    def forget_contents(self, path: bytes) -> None:
        """Forget the digests of a file and its members."""
        self._sql.execute("DELETE FROM contents WHERE path = ?", (path,))

    def tried(self, sizes: Iterable[int]) -> Iterator[TriedRow]:
        """Yield what was found of forms of these sizes."""
        query = """SELECT CAST(source AS TEXT), CAST(second AS TEXT), CAST(size AS INTEGER), CAST(heads AS BLOB)
            FROM tried WHERE size = ?"""
        for size in sizes:
            yield from map(TriedRow._make, self._sql.execute(query, (size,)))

    def put_forms(self, tried: Iterable[TriedRow], forms: Iterable[FormRow]) -> None:
        """Remember which forms files were found to have, and those among them that are wanted.

        Of equal forms of a file the first is kept.
        """
        with self.transaction():
            self._sql.executemany("INSERT OR IGNORE INTO forms VALUES (?, ?, ?, ?, ?)", forms)
            self._sql.executemany("REPLACE INTO tried VALUES (?, ?, ?, ?)", tried)

    def forms(self, sha256: str) -> list[FormRow]:
        """Return the files, there or not, that have a form with this SHA-256."""
        rows = self._sql.execute("SELECT * FROM forms WHERE sha256 = ?", (sha256,))
        return [FormRow(sha256, source, second, shown(how), shown(change)) for _, source, second, how, change in rows]
