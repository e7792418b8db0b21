"""The bytes of members, counted while they arrive, against zipfile and forged directories."""

from __future__ import annotations

import io
import random
import zipfile
import zlib
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.model.content import Location
from pipeline.processes import divided
from pipeline.sources.files.archive import DAMAGE, PIECE, ArchiveError
from pipeline.sources.files.contents import KEPT_ARCHIVES, opened, pieces
from pipeline.sources.files.signature import signature
from pipeline.sources.files.unzip import STEP, UnzippedArchive
from tests.unit.sources.zips import Hand, by_hand, deflate, pack

BIG = random.Random(1).randbytes(3 * PIECE + 17)


def first(data: bytes) -> bytes:
    """Return the bytes of an archive's first member."""
    archive = UnzippedArchive(io.BytesIO(data))
    return b"".join(archive.pieces(next(iter(archive.entries))))


@pytest.mark.parametrize("method", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED])
@pytest.mark.parametrize("data", [b"", b"123456789", bytes(5 * PIECE), BIG], ids=["none", "few", "zeros", "many"])
def test_members_made_by_zipfile_come_out_whole(tmp_path: Path, method: int, data: bytes) -> None:
    path = pack(tmp_path / "a.zip", {"other": b"abc", "b/x": data}, method)
    location = Location(path=str(path), member="b/x")
    with path.open("rb") as stream:
        given_pieces = list(pieces(stream, location))
    assert b"".join(given_pieces) == data
    assert all(0 < len(piece) <= PIECE for piece in given_pieces)


def test_files_come_out_whole(tmp_path: Path) -> None:
    path = tmp_path / "a"
    for data in (b"", b"abc", bytes(PIECE), BIG):
        path.write_bytes(data)
        with path.open("rb") as stream:
            assert b"".join(pieces(stream, Location(path=str(path)))) == data


def test_streamed_archives_with_sizes_behind_the_data_come_out_whole() -> None:
    class Pipe(io.BytesIO):
        def seekable(self) -> bool:
            return False

        def tell(self) -> int:
            raise OSError

    pipe = Pipe()
    with zipfile.ZipFile(pipe, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("x", b"123456789")
    assert first(pipe.getvalue()) == b"123456789"


GOOD = Hand(name=b"x", data=b"123456789")


@pytest.mark.parametrize(
    ("member", "what"),
    [
        (replace(GOOD, size=8), "bad CRC-32 for file 'x'"),
        (replace(GOOD, size=0), "bad CRC-32 for file 'x'"),
        (replace(GOOD, size=10), "9 bytes instead of 10"),
        (replace(GOOD, crc32=0xCBF43927), "bad CRC-32 for file 'x'"),
        (replace(GOOD, method=0, size=8), "bad CRC-32 for file 'x'"),
        (replace(GOOD, method=0, packed_size=4), "bad CRC-32 for file 'x'"),
        (replace(GOOD, packed=deflate(BIG)[:500]), "bad CRC-32 for file 'x'"),
        (replace(GOOD, packed=deflate(b"123456789")[:-2]), "bad CRC-32 for file 'x'"),
        (replace(GOOD, packed=b""), "bad CRC-32 for file 'x'"),
        (replace(GOOD, packed=b"\xff\xff\xff"), "error -3 while decompressing data: invalid block type"),
        (replace(GOOD, local_name=b"y"), "file name in directory 'x' and header b'y' differ."),
        (replace(GOOD, offset=1), "bad magic number for file header"),
    ],
)
def test_a_member_that_is_not_what_its_directory_says_is_damaged(member: Hand, what: str) -> None:
    with pytest.raises(ArchiveError) as caught:
        first(by_hand(member, Hand(name=b"z" * 100)))
    assert caught.value.what == f"'x' is damaged: {what}"


def test_a_forged_size_stops_the_unpacking_at_once() -> None:
    # 16 MiB behind a directory that declares 100 bytes: one piece is all that is ever read
    class Counting(io.BytesIO):
        count = 0

        def read(self, size: int | None = -1, /) -> bytes:
            data = super().read(size)
            self.count += len(data)
            return data

    stream = Counting(by_hand(Hand(name=b"x", data=random.Random(4).randbytes(16 << 20), size=100)))
    given_out: list[bytes] = []
    with pytest.raises(ArchiveError, match="bad CRC-32"):
        given_out.extend(UnzippedArchive(stream).pieces("x"))
    assert given_out == []
    assert stream.count < 1 << 19


def test_an_encrypted_member_is_never_read_as_if_it_were_not() -> None:
    with pytest.raises(ArchiveError, match="is encrypted, password required"):
        first(by_hand(replace(GOOD, flags=1)))


def test_a_member_that_is_gone_is_named(tmp_path: Path) -> None:
    path = pack(tmp_path / "a.zip", {"x": b"abc"})
    with path.open("rb") as stream, pytest.raises(ArchiveError, match="has no member 'y' any more"):
        pieces(stream, Location(path=str(path), member="y"))


def test_an_archive_packed_anew_is_read_anew(tmp_path: Path) -> None:
    path, location = tmp_path / "a.zip", Location(path=str(tmp_path / "a.zip"), member="x")
    for data in (b"abc", b"another one", b"abd"):
        pack(path, {"before": data * 3, "x": data})
        with path.open("rb") as stream:
            assert b"".join(pieces(stream, location)) == data


def by_zipfile(data: bytes) -> bytes | str:
    """Return the first member as zipfile reads it, or what is wrong with it."""
    archive = zipfile.ZipFile(io.BytesIO(data))
    entry = archive.infolist()[0]
    if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):  # others are not to be read
        return f"{entry.orig_filename!r} is damaged: that compression method is not supported"
    try:
        read = archive.read(entry)
    except UnicodeDecodeError:
        return f"{entry.orig_filename!r} is damaged: a name is not valid UTF-8 text"
    except DAMAGE as error:
        words = str(error) or "the data end too early"
        return f"{entry.orig_filename!r} is damaged: {words[0].lower()}{words[1:]}"
    short = f"{entry.orig_filename!r} is damaged: {len(read):,} bytes instead of {entry.file_size:,}"
    return read if len(read) == entry.file_size else short


LENGTHS = st.integers(0, 40) | st.integers(STEP - 30, STEP + 3) | st.integers(PIECE - 3, PIECE + 3)
HANDS = st.builds(
    lambda length, after, sync, **claims: replace(
        Hand(name=b"x", **{name: claim for name, claim in claims.items() if claim is not None}),
        data=BIG[:length],
        packed=(deflate(BIG[:length], sync=sync) if claims["method"] == 8 else BIG[:length]) + after,
    ),
    length=LENGTHS,
    after=st.sampled_from([b"", b"", b"z", BIG[: STEP + 1]]),
    sync=st.booleans(),
    method=st.sampled_from([0, 8, 8, 12, 99]),
    flags=st.sampled_from([0, 0, 0, 1, 0x20, 0x40, 0x800]),
    size=st.none() | st.none() | LENGTHS,
    crc32=st.none() | st.none() | LENGTHS.map(lambda length: zlib.crc32(BIG[:length])),
    packed_size=st.none() | st.none() | LENGTHS,
    local_name=st.sampled_from([None, None, None, b"y", b"\xff"]),
)


@given(hand=HANDS, cut=st.just(0) | st.integers(0, 300))
@settings(max_examples=400, deadline=None)
def test_whatever_an_archive_claims_its_member_is_what_zipfile_reads(hand: Hand, cut: int) -> None:
    # the data lie in front of the directory: cut off, the claims reach into it
    whole = by_hand(hand, Hand(name=b"z" * 100))
    start = 30 + len(hand.name if hand.local_name is None else hand.local_name)
    length = min(cut, len(hand.packed or b""))
    data = whole[:start] + whole[start + length :]
    try:
        expected = by_zipfile(data)
    except DAMAGE:
        return
    try:
        got: bytes | str = first(data)
    except ArchiveError as error:
        got = error.what
    assert got == expected


def test_what_was_given_out_is_not_given_out_again_where_zipfile_goes_on() -> None:
    # an empty last block, far behind the end: not seen without reading on, and taken by zipfile
    data = BIG[: PIECE + 5]
    packed = deflate(data, sync=True)
    assert first(by_hand(Hand(name=b"x", data=data, packed=packed[:-2] + b"\0\0\0\xff\xff" * 20_000))) == data


def test_few_archives_are_open_at_a_time(tmp_path: Path) -> None:
    # a process of macOS may have 256 files open, of Linux 1,024 (getrlimit, RLIMIT_NOFILE; common practice)
    files = Path("/proc/self/fd")
    if not files.exists():
        pytest.skip("open files are counted in /proc")
    before = len([*files.iterdir()])
    for number in range(300):
        path = pack(tmp_path / f"{number}.zip", {"x": b"%d" % number})
        assert first_of(path) == b"%d" % number
    assert len([*files.iterdir()]) - before <= KEPT_ARCHIVES


def first_of(path: Path) -> bytes:
    return b"".join(opened(str(path), signature(path.stat())).pieces("x"))


@given(st.data())
def test_no_change_of_an_honest_archive_gives_other_bytes(data: st.DataObject) -> None:
    whole = by_hand(GOOD)
    changed = bytearray(whole)
    changed[data.draw(st.integers(0, len(whole) - 1))] = data.draw(st.integers(0, 255))
    try:
        got = first(bytes(changed))
    except (ArchiveError, *DAMAGE):
        return
    stored = zipfile.ZipFile(io.BytesIO(changed)).infolist()[0]
    assert got == GOOD.data or (stored.file_size, stored.CRC) != (len(GOOD.data), 0xCBF43926)


def test_a_process_that_was_forked_reads_archives_anew(tmp_path: Path) -> None:
    whole = {f"{number}": bytes([number]) * 500_000 for number in range(20)}
    path = pack(tmp_path / "a.zip", whole, zipfile.ZIP_STORED)

    def read(name: str) -> bool:
        return b"".join(opened(str(path), signature(path.stat())).pieces(name)) == whole[name]

    assert read("0")
    assert all(divided(3, read, [*whole] * 5))
