from __future__ import annotations

import lzma
import os
import stat
import zlib
from hashlib import sha256
from pathlib import Path

import pytest

from pipeline.errors import MachineError
from pipeline.model.content import Content, Location
from pipeline.model.manifest import ArchiveLimits
from pipeline.sources.files.argument import content_named, named
from tests.unit.sources.zips import Hand, by_hand, pack, put

LIMITS = ArchiveLimits()


def test_a_file_is_named_by_its_path(tmp_path: Path) -> None:
    path = put(tmp_path / "4t.bin", b"dump")
    assert named(str(path), LIMITS) == Location(path=str(path))


def test_a_member_is_named_by_the_paths_of_archive_and_member(tmp_path: Path) -> None:
    archive = pack(tmp_path / "box 3.ZIP", {"./moth//4t.bin": b"dump", "4u.bin": b"other"})
    assert named(f"{archive}/moth/4t.bin", LIMITS) == Location(path=str(archive), member="./moth//4t.bin")
    assert content_named(named(f"{archive}/moth/4t.bin", LIMITS)) == Content(
        sha256=sha256(b"dump").hexdigest(), size=4, crc32=zlib.crc32(b"dump")
    )


def test_a_member_is_found_however_its_accents_are_composed(tmp_path: Path) -> None:
    archive = pack(tmp_path / "box.zip", {"mu\u0308cke.bin": b"dump"})
    assert named(f"{archive}/m\u00fccke.bin", LIMITS).member == "mu\u0308cke.bin"


def test_a_member_of_an_archive_of_another_kind_or_within_another_is_named_likewise(tmp_path: Path) -> None:
    inner = pack(tmp_path / "inner.zip", {"4t.bin": b"dump"}).read_bytes()
    box = put(tmp_path / "4u.bin.xz", lzma.compress(b"other"))
    outer = pack(tmp_path / "outer", {"a/inner.zip": inner})
    assert named(f"{box}/4u.bin", LIMITS) == Location(path=str(box), member="4u.bin")
    assert named(f"{outer}/a/inner.zip/4t.bin", LIMITS).member == "a/inner.zip/4t.bin"
    assert content_named(named(f"{outer}/a/inner.zip/4t.bin", LIMITS)).size == 4


def test_a_folder_named_as_an_archive_is_a_folder(tmp_path: Path) -> None:
    path = put(tmp_path / "box.zip" / "4t.bin", b"dump")
    assert named(str(path), LIMITS) == Location(path=str(path))


def problem(text: str | Path) -> str:
    with pytest.raises(MachineError) as raised:
        content_named(named(str(text), LIMITS))
    return str(raised.value)


def test_what_is_not_there_is_told(tmp_path: Path) -> None:
    put(tmp_path / "4t.bin", b"dump")
    for name in ("6g.bin", "4t.bin/4t.bin", "box.zip/4t.bin"):
        assert problem(tmp_path / name) == f"{tmp_path}/{name}: there is no such file\n  hint: correct the path"
    assert problem(tmp_path) == f"{tmp_path}: is a folder or a device; expected a file"


def test_a_member_that_is_not_there_is_told_with_the_nearest(tmp_path: Path) -> None:
    archive = pack(tmp_path / "box.zip", {"moth/4t.bin": b"dump", "a.txt": b""})
    wrong = f"{archive}: has no member 'moth/6g.bin' that can be used\n  hint: did you mean \"{archive}/moth/4t.bin\"?"
    assert problem(archive / "moth" / "6g.bin") == wrong
    wrong = f"{archive}: has no member 'zzzzzz' that can be used\n  hint: did you mean \"{archive}/a.txt\"?"
    assert problem(archive / "zzzzzz") == wrong
    assert problem(pack(tmp_path / "no.zip", {}) / "4t") == f"{tmp_path}/no.zip: has no member '4t' that can be used"


def test_a_hostile_a_broken_and_a_damaged_archive_are_refused(tmp_path: Path) -> None:
    (tmp_path / "hostile.zip").write_bytes(by_hand(Hand(name=b"../4t.bin", data=b"dump")))
    assert "is refused: the name '../4t.bin' leads out" in problem(tmp_path / "hostile.zip" / "4t.bin")
    (tmp_path / "broken.zip").write_bytes(b"nothing of the kind")
    assert problem(tmp_path / "broken.zip" / "4t.bin").startswith(f"{tmp_path}/broken.zip: ")
    (tmp_path / "damaged.zip").write_bytes(by_hand(Hand(name=b"4t.bin", data=b"dump", crc32=1)))
    assert "'4t.bin' is damaged: bad CRC-32" in problem(tmp_path / "damaged.zip" / "4t.bin")


def test_a_member_that_cannot_be_used_leaves_the_others(tmp_path: Path) -> None:
    link = Hand(name=b"link", data=b"4t.bin", mode=stat.S_IFLNK | 0o777)
    (tmp_path / "box.zip").write_bytes(by_hand(link, Hand(name=b"4t.bin", data=b"dump")))
    assert content_named(named(str(tmp_path / "box.zip" / "4t.bin"), LIMITS)).size == 4
    assert "has no member 'link' that can be used" in problem(tmp_path / "box.zip" / "link")


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="permissions bind only plain users of POSIX")
def test_a_file_that_may_not_be_read_is_told(tmp_path: Path) -> None:
    path = put(tmp_path / "4t.bin", b"dump")
    path.chmod(0)
    assert problem(path).startswith(f"{path}: cannot be read: Permission denied")
