from __future__ import annotations

import hashlib
import random
import zipfile
from pathlib import Path

import pytest

from pipeline.errors import CheckError, MachineError
from pipeline.model.content import Content, Location
from pipeline.sources.files.archive import PIECE
from pipeline.sources.files.read import open_content, read_content
from tests.unit.sources.zips import pack, put

BIG = random.Random(3).randbytes(2 * PIECE + 5)
HINT = "\n  hint: run again when nothing writes to it"


def content(data: bytes) -> Content:
    return Content(sha256=hashlib.sha256(data).hexdigest(), size=len(data))


def placed(tmp_path: Path, kind: str, data: bytes) -> Location:
    if kind == "file":
        return Location(path=str(put(tmp_path / "a", data)))
    return Location(path=str(pack(tmp_path / "a.zip", {"x": data}, zipfile.ZIP_STORED)), member="x")


@pytest.mark.parametrize("kind", ["file", "member"])
@pytest.mark.parametrize("data", [b"", b"abc", BIG], ids=["none", "few", "many"])
@pytest.mark.parametrize("step", [1 << 10, 1 << 20, -1])
def test_a_content_is_handed_out_whole(tmp_path: Path, kind: str, data: bytes, step: int) -> None:
    location = placed(tmp_path, kind, data)
    with open_content(location, content(data)) as stream:
        parts = list(iter(lambda: stream.read(step), b""))
    assert b"".join(parts) == data
    assert all(len(part) == step for part in parts[:-1])
    assert read_content(location, content(data)) == data
    assert read_content(location, Content(sha256=content(data).sha256)) == data


@pytest.mark.parametrize("kind", ["file", "member"])
def test_whoever_reads_the_declared_bytes_gets_the_right_ones_or_an_error(tmp_path: Path, kind: str) -> None:
    wrong = BIG[:-1] + bytes([BIG[-1] ^ 1])
    location = placed(tmp_path, kind, wrong)
    with open_content(location, content(BIG)) as stream:
        assert stream.read(1000) == BIG[:1000]
        with pytest.raises(CheckError) as caught:
            stream.read(len(BIG) - 1000)
    assert str(caught.value) == (
        f"{location}: changed while it was read: its SHA-256 is {content(wrong).sha256} instead of "
        f"{content(BIG).sha256}" + HINT
    )


@pytest.mark.parametrize("kind", ["file", "member"])
@pytest.mark.parametrize(
    ("there", "how"),
    [(b"ab", "it has 2 bytes instead of 3"), (b"abcd", "it has more than the 3 bytes expected")],
)
def test_a_shorter_or_longer_source_is_an_error(tmp_path: Path, kind: str, there: bytes, how: str) -> None:
    location = placed(tmp_path, kind, there)
    with open_content(location, content(b"abc")) as stream, pytest.raises(CheckError) as caught:
        stream.read(3)
    assert str(caught.value) == f"{location}: changed while it was read: {how}" + HINT
    with pytest.raises(CheckError):
        read_content(location, content(b"abc"))


def test_a_source_that_grows_while_it_is_read_is_an_error(tmp_path: Path) -> None:
    location = placed(tmp_path, "file", BIG)
    with open_content(location, content(BIG)) as stream:
        stream.read(10)
        with Path(location.path).open("ab") as more:
            more.write(b"!")
        with pytest.raises(CheckError, match=f"it has more than the {len(BIG):,} bytes expected"):
            stream.read()


def test_a_member_that_is_gone_is_an_error(tmp_path: Path) -> None:
    location = placed(tmp_path, "member", b"abc")
    pack(Path(location.path), {"y": b"abc"})
    with pytest.raises(CheckError) as caught:
        read_content(location, content(b"abc"))
    assert str(caught.value) == f"{location}: changed while it was read: has no member 'x' any more" + HINT


def test_a_source_that_is_gone_is_named(tmp_path: Path) -> None:
    location = Location(path=str(tmp_path / "gone"))
    with pytest.raises(MachineError) as caught:
        read_content(location, content(b"abc"))
    assert str(caught.value) == (
        f"{tmp_path / 'gone'}: cannot be read: No such file or directory\n"
        "  hint: make it readable, or put it back where it was"
    )


def test_a_stream_left_early_lets_go_of_its_file(tmp_path: Path) -> None:
    location = placed(tmp_path, "file", BIG)
    with open_content(location, content(BIG)) as stream:
        stream.read(1)
    assert stream.closed
    Path(location.path).unlink()
