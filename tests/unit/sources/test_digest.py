from __future__ import annotations

import random
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

import pytest

from pipeline.errors import CheckError
from pipeline.model.content import Location
from pipeline.sources.files import digest as module
from pipeline.sources.files.contents import pieces
from pipeline.sources.files.digest import digest
from tests.strangers.tools import require
from tests.unit.sources.zips import pack, put

VECTORS = [
    # SHA-256: NIST, "Examples with Intermediate Values" ("SHA256.pdf"), that of "123456789" by sha256sum. CRC-32 of
    # "123456789": G. Cook, "Catalogue of parametrised CRC algorithms" (from memory); the others from memory.
    (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855", 0x00000000),
    (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad", 0x352441C2),
    (b"123456789", "15e2b0d3c33891ebb0f1ef609ec419420c20e320ce94c65fbc8c3312448eb225", 0xCBF43926),
    (
        b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
        0x171A3F5F,
    ),
]


@pytest.mark.parametrize(("data", "sha256", "crc32"), VECTORS)
def test_published_vectors(tmp_path: Path, data: bytes, sha256: str, crc32: int) -> None:
    path = put(tmp_path / "a", data)
    assert digest(Location(path=str(path)))[:3] == (sha256, crc32, len(data))
    path = pack(tmp_path / "a.zip", {"x": data})
    assert digest(Location(path=str(path), member="x"))[:3] == (sha256, crc32, len(data))


def test_a_large_file_has_the_hash_sha256sum_gives(tmp_path: Path) -> None:
    path = put(tmp_path / "a", random.Random(2).randbytes(1_000_003))
    shown = subprocess.run([require("sha256sum"), str(path)], capture_output=True, text=True, check=True).stdout
    assert digest(Location(path=str(path))).sha256 == shown.split()[0]


@pytest.mark.parametrize("how", ["edited", "grown", "replaced"])
def test_a_file_that_changes_while_it_is_hashed_is_no_content(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, how: str
) -> None:
    path = put(tmp_path / "a", b"abc")

    def meddling(stream: BinaryIO, location: Location) -> Iterator[bytes]:
        yield from pieces(stream, location)
        if how == "edited":
            path.write_bytes(b"abd")
        elif how == "grown":
            path.write_bytes(b"abcd")
        else:
            put(tmp_path / "b", b"abd").replace(path)

    monkeypatch.setattr(module, "pieces", meddling)
    with pytest.raises(CheckError) as caught:
        digest(Location(path=str(path)))
    after = 4 if how == "grown" else 3
    assert str(caught.value) == (
        f"{path}: changed while it was read: it had 3 bytes before and {after} after\n"
        "  hint: run again when nothing writes to it"
    )
