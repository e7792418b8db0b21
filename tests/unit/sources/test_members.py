"""Archives of other kinds than ZIP, and archives within archives; honest ones are made by the standard library."""

from __future__ import annotations

import bz2
import contextlib
import gzip
import io
import lzma
import os
import random
import shutil
import subprocess
import tarfile
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import Problem
from pipeline.model.manifest import ArchiveLimits
from pipeline.sources.files import members as module
from pipeline.sources.files.archive import ArchiveError
from pipeline.sources.files.kinds import Kind, kind_of
from pipeline.sources.files.members import Opened, list_members
from pipeline.sources.files.read import read_content
from pipeline.sources.index import Index
from tests.unit.sources.looking import want
from tests.unit.sources.zips import Hand, by_hand, pack, put

LIMITS = ArchiveLimits()
U1, U2 = random.Random(1).randbytes(40_000), bytes(300_000)
PACKERS: dict[str, Callable[[bytes], bytes]] = {".gz": gzip.compress, ".bz2": bz2.compress, ".xz": lzma.compress}
KINDS = {"": None, ".gz": Kind.GZIP, ".bz2": Kind.BZIP2, ".xz": Kind.XZ}


def tar(members: dict[str, bytes], form: int = tarfile.PAX_FORMAT) -> bytes:
    stream = io.BytesIO()
    with tarfile.open(fileobj=stream, mode="w", format=form) as archive:
        for name, data in members.items():
            entry = tarfile.TarInfo(name)
            entry.size = len(data)
            archive.addfile(entry, io.BytesIO(data))
    return stream.getvalue()


def zipped(members: dict[str, bytes]) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return stream.getvalue()


class Held(NamedTuple):
    """What a search came to: contents by where they lie, and the problems as text."""

    contents: dict[tuple[str, str], bytes]
    problems: list[str]


@pytest.fixture
def held(tmp_path: Path) -> Iterator[Callable[..., Held]]:
    with Index(tmp_path / "index.sqlite") as index:

        def look(*wanted: bytes, limits: ArchiveLimits = LIMITS) -> Held:
            scan = index.scan([tmp_path / "attic"], limits)
            found = index.find([want(data) for data in wanted])
            read = {
                (Path(place.path).name, place.member or ""): read_content(place, found.contents[sha256])
                for sha256, place in found.locations.items()
            }
            return Held(read, [_short(problem) for problem in scan.problems])

        yield look


def _short(problem: Problem) -> str:
    return f"{Path(problem.place.file).name}: {problem.what}; {problem.hint}"


@pytest.mark.parametrize("form", [tarfile.USTAR_FORMAT, tarfile.GNU_FORMAT, tarfile.PAX_FORMAT])
@pytest.mark.parametrize("suffix", ["", *PACKERS])
def test_a_tar_is_read_packed_or_not(tmp_path: Path, held: Callable[..., Held], suffix: str, form: int) -> None:
    data = tar({"./board/u1.bin": U1, "u2.bin": U2}, form)
    put(tmp_path / f"attic/any name{suffix}", PACKERS.get(suffix, bytes)(data))
    name = f"any name{suffix}"
    assert held(U2, U1) == ({(name, "./board/u1.bin"): U1, (name, "u2.bin"): U2}, [])


@pytest.mark.skipif(shutil.which("tar") is None, reason="needs GNU tar or another")
def test_what_the_system_s_tar_writes_is_read(tmp_path: Path, held: Callable[..., Held]) -> None:
    long = "a folder with a name that is rather long/" * 4 + "u1.bin"
    put(tmp_path / "files" / long, U1)
    (tmp_path / "attic").mkdir()
    subprocess.run(["tar", "-czf", tmp_path / "attic/box.tgz", "-C", tmp_path / "files", "."], check=True)
    os.utime(tmp_path / "attic/box.tgz", (1e9, 1e9))
    assert held(U1).contents == {("box.tgz", f"./{long}"): U1}


@pytest.mark.parametrize("suffix", PACKERS)
def test_a_packed_file_is_read_under_its_own_name(tmp_path: Path, held: Callable[..., Held], suffix: str) -> None:
    pack_ = PACKERS[suffix]
    put(tmp_path / f"attic/u1.bin{suffix}", pack_(U1[:100]) + pack_(U1[100:]))  # two streams are one file
    assert held(U1) == ({(f"u1.bin{suffix}", "u1.bin"): U1}, [])


def test_archives_are_read_within_an_archive_and_told_within_that(tmp_path: Path, held: Callable[..., Held]) -> None:
    inner = zipped({"deep/u1.bin": U1, "deeper.zip": zipped({"u3.bin": b"3"})})
    put(tmp_path / "attic/outer.tar.gz", gzip.compress(tar({"box.zip": inner, "u2.bin.xz": lzma.compress(U2)})))
    assert held(U1, U2, b"3") == (
        {("outer.tar.gz", "box.zip/deep/u1.bin"): U1, ("outer.tar.gz", "u2.bin.xz/u2.bin"): U2},
        [
            "outer.tar.gz: 'box.zip' in it holds further archives, which are not looked into; "
            "the first is 'deeper.zip'; unpack it into a folder"
        ],
    )


def test_kinds_that_are_not_read_are_told(tmp_path: Path, held: Callable[..., Held]) -> None:
    put(tmp_path / "attic/a.7z", b"7z\xbc\xaf\x27\x1c" + bytes(100))
    put(tmp_path / "attic/b", b"Rar!\x1a\x07\x01\0" + bytes(100))
    put(tmp_path / "attic/c.tar.zst", b"\x28\xb5\x2f\xfd" + bytes(100))
    pack(tmp_path / "attic/d.zip", {"x.rar": b"Rar!\x1a\x07\x01\0", "y": b"y", "no.zip": b"no archive"})
    assert held(b"y") == (
        {("d.zip", "y"): b"y"},
        [
            "a.7z: is a 7z archive, which is not read; unpack it into a folder in a place",
            "b: is a RAR archive, which is not read; unpack it into a folder in a place",
            "c.tar.zst: is packed by Zstandard, which is not read; unpack it into a folder in a place",
            "d.zip: 'x.rar' in it is a RAR archive, which is not read; unpack it into a folder",
        ],
    )


def test_a_dump_that_begins_as_bzip2_by_chance_is_a_dump(tmp_path: Path, held: Callable[..., Held]) -> None:
    put(tmp_path / "attic/u1", b"BZh9" + U1)
    assert held(b"BZh9" + U1) == ({("u1", ""): b"BZh9" + U1}, [])
    assert kind_of(bz2.compress(b"")) is kind_of(bz2.compress(b"x")) is Kind.BZIP2


# hostile ones


def faults(data: bytes, limits: ArchiveLimits = LIMITS) -> list[str]:
    listing = list_members(io.BytesIO(data), "box", limits)
    return [fault.what for fault in listing.faults]


@pytest.mark.parametrize("suffix", PACKERS)
def test_a_packed_bomb_is_refused_after_little_of_it(suffix: str) -> None:
    data = PACKERS[suffix](bytes(64 << 20))
    assert faults(data) == ["is packed smaller than 1:200, the limit"]
    assert faults(data, replace(LIMITS, ratio=10**9, member=1 << 20)) == [
        "unpacks to more than 1 MiB; it is not looked into"
    ]


@pytest.mark.parametrize(("name", "why"), [("../x", 'leads out of the archive by ".."'), ("/x", "is an absolute path")])
def test_names_in_a_tar_are_held_to_the_same_rules(name: str, why: str) -> None:
    assert faults(tar({name: b"1"})) == [f"is refused: the name {name!r} {why}"]


def test_a_tar_within_its_limits_only() -> None:
    data = tar({"a": bytes(600), "b": bytes(10)})
    assert faults(data, replace(LIMITS, entries=1)) == ["has more than 1 entries, the limit"]
    assert faults(data, replace(LIMITS, total=609)) == ["is refused: it unpacks to 610 bytes; 609 bytes is the limit"]
    assert faults(data, replace(LIMITS, member=599)) == [
        "the member 'a' is larger than 599 bytes, the limit; it is not used"
    ]
    assert faults(tar({"a": b"1", "A": b"2"})) == [
        "is refused: the names 'a' and 'A' are the same when case is ignored"
    ]


def test_links_devices_and_sparse_files_in_a_tar_are_left_out() -> None:
    stream = io.BytesIO()
    with tarfile.open(fileobj=stream, mode="w") as archive:
        for name, kind in (
            ("s", tarfile.SYMTYPE),
            ("h", tarfile.LNKTYPE),
            ("d", tarfile.CHRTYPE),
            ("p", tarfile.FIFOTYPE),
        ):
            entry = tarfile.TarInfo(name)
            entry.type, entry.linkname = kind, "/etc/passwd"
            archive.addfile(entry)
        sparse = tarfile.TarInfo("g")
        sparse.type = tarfile.GNUTYPE_SPARSE
        archive.addfile(sparse)
    assert faults(stream.getvalue()) == [
        "2 members are a link to another file; they are not used, the first is 's'",
        "2 members are a device or pipe; they are not used, the first is 'd'",
        "the member 'g' is a sparse file; it is not used",
    ]


def test_a_name_in_a_tar_that_is_no_text_leaves_out_that_member() -> None:
    data = tar({os.fsdecode(b"\xff"): b"1", "ok": b"2"}, tarfile.GNU_FORMAT)
    listing = list_members(io.BytesIO(data), "box", LIMITS)
    assert [member.name for member in listing.members] == ["ok"]
    assert [fault.what for fault in listing.faults] == [
        "the member '\\udcff' is named in bytes that are not UTF-8 text; it is not used"
    ]


def sized(data: bytes, field: bytes) -> bytes:
    """Return a tar with another size in its first header, and the header's sum made anew (POSIX.1-2017, pax, ustar)."""
    header = data[:124] + field + data[136:148] + b" " * 8 + data[156:512]
    return header[:148] + b"%06o\0 " % sum(header) + header[156:] + data[512:]


@pytest.mark.parametrize("field", [b"77777777777\0", b"\xff" * 12, b"\x80" + b"\xff" * 11, b"\xff" * 11 + b"\0"])
@pytest.mark.parametrize("form", [tarfile.USTAR_FORMAT, tarfile.PAX_FORMAT, tarfile.GNU_FORMAT])
def test_a_size_in_a_tar_that_lies_neither_fills_memory_nor_goes_round(field: bytes, form: int) -> None:
    members = {"a": bytes(2000)} if form == tarfile.USTAR_FORMAT else {"x" * 200 + "é": bytes(2000), "b": b"2"}
    listing = list_members(io.BytesIO(sized(tar(members, form), field)), "box", LIMITS)
    assert listing.faults
    assert not listing.members


def test_archives_within_are_unpacked_only_up_to_a_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST", 1000)
    inner = zipped({"x": b"1"})
    data = zipped({"a.zip": inner, "b.zip": inner + bytes(1000)})
    assert faults(data) == [f"'b.zip' in it, {len(inner) + 1000:,} bytes, is too large to look into"]
    assert faults(zipped({"a.zip": inner, "b.zip": inner}), replace(LIMITS, entries=3)) == [
        "with the archives within it, it has more than 3 files"
    ]
    damaged = by_hand(Hand(name=b"a.zip", data=inner, crc32=1))
    assert faults(damaged) == ["'a.zip' in it 'a.zip' is damaged: bad CRC-32 for file 'a.zip'"]


PLAIN = tar({"a": U1[:2000], "b.zip": zipped({"x": U1[:500]})})
WHOLE = {"": PLAIN, **{suffix: pack_(PLAIN) for suffix, pack_ in PACKERS.items()}}


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(sorted(WHOLE)), st.data())
def test_any_damage_is_a_fault_or_leaves_files_that_can_be_read(suffix: str, data: st.DataObject) -> None:
    whole = bytearray(WHOLE[suffix])
    for _ in range(data.draw(st.integers(1, 3))):
        whole[data.draw(st.integers(0, len(whole) - 1))] ^= data.draw(st.integers(1, 255))
    cut = bytes(whole[: data.draw(st.integers(len(whole) // 2, len(whole)))])
    listing = list_members(io.BytesIO(cut), "box", LIMITS)
    for member in listing.members:
        with contextlib.suppress(ArchiveError):
            opened = Opened(io.BytesIO(cut), "box")
            assert sum(map(len, opened.pieces(member.name))) <= member.size
