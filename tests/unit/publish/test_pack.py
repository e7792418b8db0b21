"""Packing and unpacking an image, held to the public tools of each form."""

from __future__ import annotations

import gzip
import hashlib
import random
import subprocess
import zipfile
from pathlib import Path

import pytest

from pipeline.errors import CheckError
from pipeline.publish import pack as packing
from pipeline.publish.pack import SUFFIXES, pack, unpack
from tests.strangers.tools import require

FORMS = tuple(SUFFIXES)
IMAGE = random.Random(7).randbytes(3_000_000) + bytes(5_000_000) + b"end" + bytes(1021)
SHA256 = hashlib.sha256(IMAGE).hexdigest()


@pytest.fixture
def image(tmp_path: Path) -> Path:
    path = tmp_path / "card.img"
    path.write_bytes(IMAGE)
    return path


def packed(image: Path, form: str) -> Path:
    target = image.with_name(image.name + SUFFIXES[form])
    assert pack(image, target, form) == SHA256
    return target


@pytest.mark.parametrize("form", FORMS)
def test_what_was_packed_unpacks_to_the_same(image: Path, tmp_path: Path, form: str) -> None:
    steps = list[int]()
    assert unpack(packed(image, form), tmp_path / "out", len(IMAGE), steps.append) == SHA256
    assert (tmp_path / "out").read_bytes() == IMAGE
    assert sum(steps) == len(IMAGE)


@pytest.mark.parametrize("form", FORMS)
def test_packing_twice_gives_the_same_bytes(image: Path, form: str) -> None:
    once = packed(image, form).read_bytes()
    image.touch()
    assert packed(image, form).read_bytes() == once


@pytest.mark.parametrize(
    ("form", "test", "give"),
    [
        ("zstd", ["zstd", "-q", "-t"], ["zstd", "-q", "-d", "-c"]),
        ("gzip", ["gzip", "-t"], ["gzip", "-d", "-c"]),
        ("zip", ["unzip", "-q", "-t"], ["unzip", "-p"]),
    ],
)
def test_the_public_tool_tests_and_unpacks_it(image: Path, form: str, test: list[str], give: list[str]) -> None:
    file = packed(image, form)
    subprocess.run([require(test[0]), *test[1:], str(file)], check=True)
    assert subprocess.run([require(give[0]), *give[1:], str(file)], check=True, capture_output=True).stdout == IMAGE


@pytest.mark.parametrize("form", FORMS)
def test_more_bytes_than_stated_are_not_written(image: Path, tmp_path: Path, form: str) -> None:
    file = packed(image, form)
    with pytest.raises(CheckError) as error:
        unpack(file, tmp_path / "out", 1 << 20)
    assert str(error.value) == f"{file.name}: unpacks to more than the 1,048,576 bytes that the record states"
    assert (tmp_path / "out").stat().st_size <= 1 << 20


@pytest.mark.parametrize("form", FORMS)
def test_fewer_bytes_than_stated_are_told(image: Path, tmp_path: Path, form: str) -> None:
    file = packed(image, form)
    with pytest.raises(CheckError) as error:
        unpack(file, tmp_path / "out", len(IMAGE) + 1)
    assert str(error.value) == f"{file.name}: unpacks to 8,001,024 bytes; expected 8,001,025"


@pytest.mark.parametrize("form", FORMS)
def test_a_cut_or_foreign_file_is_told_in_a_line(image: Path, tmp_path: Path, form: str) -> None:
    file = packed(image, form)
    whole = file.read_bytes()
    for data in (whole[: len(whole) // 2], b"", b"not packed at all" * 10):
        file.write_bytes(data)
        with pytest.raises(CheckError, match=rf"^{file.name}: "):
            unpack(file, tmp_path / "out", len(IMAGE))


@pytest.mark.parametrize("offset", [0, 1, (1 << 20) - 1, 1 << 20, 5_000_000, len(IMAGE) - 1])
@pytest.mark.parametrize("form", FORMS)
def test_bytes_from_an_offset_on_begin_with_the_frame_that_holds_it(
    image: Path, form: str, offset: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(packing, "FRAME", 1 << 20)
    file = packed(image, form)
    start, parts = packing.unpacked_from(file, offset)
    assert start == (offset >> 20 << 20 if form == "zstd" else 0)
    assert b"".join(parts) == IMAGE[start:]


def test_a_frame_that_does_not_state_its_size_is_read_from_its_start(image: Path) -> None:
    file = image.with_name("card.img.zst")
    words = [require("zstd"), "-q", "-c", "-"]
    file.write_bytes(subprocess.run(words, input=IMAGE, check=True, capture_output=True).stdout)
    start, parts = packing.unpacked_from(file, 5_000_000)
    assert (start, b"".join(parts)) == (0, IMAGE)


def test_an_archive_that_holds_anything_else_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "card.img.zip"
    with zipfile.ZipFile(file, "w") as archive:
        archive.writestr("../card.img", b"x")
    with pytest.raises(CheckError) as error:
        unpack(file, tmp_path / "out", 1)
    assert str(error.value) == (
        "card.img.zip: is damaged: it holds ../card.img, expected the image alone\n  hint: get it again"
    )


def test_bytes_after_the_gzip_member_are_part_of_what_is_counted(tmp_path: Path) -> None:
    file = tmp_path / "card.img.gz"
    file.write_bytes(gzip.compress(b"one", mtime=0) + gzip.compress(b"two", mtime=0))
    with pytest.raises(CheckError, match="unpacks to more than the 3 bytes"):
        unpack(file, tmp_path / "out", 3)


@pytest.mark.parametrize("size", [0, 1, (1 << 20) - 1, 1 << 20, (1 << 20) + 1, 3 << 20])
def test_frames_end_where_the_image_does(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, size: int) -> None:
    monkeypatch.setattr(packing, "FRAME", 1 << 20)
    (tmp_path / "card.img").write_bytes(IMAGE[:size])
    file = tmp_path / "card.img.zst"
    pack(tmp_path / "card.img", file, "zstd")
    give = [require("zstd"), "-q", "-d", "-c", str(file)]
    assert subprocess.run(give, check=True, capture_output=True).stdout == IMAGE[:size]
    assert unpack(file, tmp_path / "out", size) == hashlib.sha256(IMAGE[:size]).hexdigest()
