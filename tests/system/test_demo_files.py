"""The demo's files are what the script makes, bit for bit."""

from __future__ import annotations

import hashlib
import tomllib
from pathlib import Path
from zipfile import ZIP_DEFLATED, ZIP_STORED, ZipFile

import pytest

from tests.support import demo_files

PLAIN, ARCHIVES = demo_files.demo()


def files_below(folder: Path) -> dict[str, Path]:
    """Return the files below a folder by path, without what desktops leave behind (".DS_Store")."""
    found = (path for path in folder.rglob("*") if path.is_file() and not path.name.startswith("."))
    return {path.relative_to(folder).as_posix(): path for path in found}


COMMITTED = files_below(demo_files.FOLDER)


def test_the_committed_files_are_those_the_script_makes_and_no_others() -> None:
    assert sorted(COMMITTED) == sorted({*PLAIN, *ARCHIVES})


@pytest.mark.parametrize("path", PLAIN)
def test_a_plain_file_is_made_bit_for_bit(path: str) -> None:
    assert COMMITTED[path].read_bytes() == PLAIN[path]


@pytest.mark.parametrize("path", sorted(set(ARCHIVES) - demo_files.DEFLATED))
def test_a_stored_archive_is_made_bit_for_bit(path: str) -> None:
    assert COMMITTED[path].read_bytes() == demo_files.packed(ARCHIVES[path], ZIP_STORED)


@pytest.mark.parametrize("path", sorted(demo_files.DEFLATED))
def test_a_deflated_archive_has_the_members_the_script_packs(path: str) -> None:
    archive = COMMITTED[path].read_bytes()
    assert demo_files.listing(archive) == demo_files.listing(demo_files.packed(ARCHIVES[path], ZIP_DEFLATED))
    with ZipFile(COMMITTED[path]) as opened:
        assert any(member.compress_size < member.file_size for member in opened.infolist())


def test_the_script_keeps_a_deflated_archive_with_the_right_members_and_writes_all_else(tmp_path: Path) -> None:
    kept, replaced = tmp_path / "box-3.zip", tmp_path / "tallow-two-system.zip"
    kept.write_bytes(demo_files.packed(ARCHIVES["box-3.zip"], ZIP_DEFLATED))
    with ZipFile(kept, "a") as archive:
        archive.comment = b"other bytes, same members"
    replaced.write_bytes(demo_files.packed({"BENCH.SET": b""}, ZIP_DEFLATED))
    (tmp_path / "README.txt").write_text("something else")
    before = kept.read_bytes()
    demo_files.write(tmp_path)
    assert kept.read_bytes() == before
    assert demo_files.listing(replaced.read_bytes()) == demo_files.listing(
        demo_files.packed(ARCHIVES[replaced.name], ZIP_DEFLATED)
    )
    written = files_below(tmp_path)
    assert sorted(written) == sorted(COMMITTED)
    for path in set(written) - demo_files.DEFLATED:
        assert written[path].read_bytes() == COMMITTED[path].read_bytes()


def test_the_demo_stays_small() -> None:
    assert sum(path.stat().st_size for path in COMMITTED.values()) < 1_000_000


def test_no_content_is_wanted_twice_or_lies_where_another_lies() -> None:
    contents, places = demo_files.wanted(), demo_files.hidden()
    assert len(set(contents.values())) == len(contents) == len(set(places.values()))
    assert not set(places.values()) & set(demo_files.junk())


def test_contents_lie_in_places_that_are_searched_under_names_that_tell_nothing() -> None:
    sources = tomllib.loads((demo_files.FOLDER.parent / "sources.toml").read_text("utf-8"))["places"]
    for name, place in demo_files.hidden().items():
        assert any(f"files/{place}".startswith((f"{source}/", f"{source}>")) for source in sources), place
        stem = place.replace(">", "/").rpartition("/")[2].partition(".")[0]
        assert stem.lower() not in name.lower().replace(".", "/").split("/"), place


def test_the_sources_hold_a_misread_chip_of_the_right_size_and_name_and_a_copy_of_the_good_one() -> None:
    good, lying_about = demo_files.wanted()["moth-pantry/4t"], demo_files.junk()
    misread, copy = lying_about["attic/New folder/4t.bin"], lying_about["attic/New folder/Copy of 4t (good one).bin"]
    assert copy == good
    assert [(at, bin(was ^ now)) for at, (was, now) in enumerate(zip(good, misread, strict=True)) if was != now] == [
        (0x123, bin(8))
    ]


def test_the_checksum_list_names_every_file_of_the_pack_by_its_hash() -> None:
    lines = PLAIN["bramblet-pack.sha256"].decode("ascii").splitlines()
    declared = {line[66:]: line[:66] for line in lines}
    contents = demo_files.wanted()
    assert declared == {path: hashlib.sha256(contents[f"pack/{path}"]).hexdigest() + "  " for path in demo_files.PACK}
