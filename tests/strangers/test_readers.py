"""The strangers' harness held to images that public tools made: mkfs.fat (dosfstools) and mcopy (mtools)."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from tests.strangers import with_mtools
from tests.strangers.readers import READERS, assert_all_agree, of_files
from tests.strangers.tools import require

FILES = {
    "HELLO.TXT": b"hello\n",
    "EMPTY": b"",
    "A long name with Grüße.txt": b"x" * 70_000,
    "SUB/DEEP/DEEPER/日本語.bin": bytes(range(256)) * 8,
    "SUB/TAIL": b"y" * 512,
}
SHORTS = {"A long name with Grüße.txt": "ALONGN~1.TXT", "SUB/DEEP/DEEPER/日本語.bin": "___.BIN"}


def make(image: Path, fat_bits: int, megabytes: int, tmp_path: Path) -> None:
    with image.open("wb") as file:
        file.truncate(megabytes << 20)
    subprocess.run([require("mkfs.fat"), f"-F{fat_bits}", "-s1", str(image)], check=True, capture_output=True)
    for path, content in FILES.items():
        tree = tmp_path / "tree" / path
        tree.parent.mkdir(parents=True, exist_ok=True)
        tree.write_bytes(content)
    names = list(dict.fromkeys(str(tmp_path / "tree" / path.partition("/")[0]) for path in FILES))
    command = [require("mcopy"), "-s", "-i", str(image), *names, "::/"]
    subprocess.run(command, check=True, env=with_mtools.settings(tmp_path))


def shifted(volume: Path, fat_type: int, target: Path) -> int:
    """Put a volume into the first partition of a card at sector 63 and return its offset in bytes."""
    content = volume.read_bytes()
    sectors = len(content) // 512
    entry = bytes([0, 1, 1, 0, fat_type, 254, 63, 0]) + (63).to_bytes(4, "little") + sectors.to_bytes(4, "little")
    target.write_bytes((bytes(446) + entry).ljust(510, b"\0") + b"\x55\xaa" + bytes(62 * 512) + content)
    return 63 * 512


@pytest.mark.parametrize(("fat_bits", "megabytes"), [(12, 1), (16, 8), (32, 40)])
def test_all_readers_agree_on_a_volume_of_public_tools(fat_bits: int, megabytes: int, tmp_path: Path) -> None:
    image = tmp_path / "card.img"
    make(image, fat_bits, megabytes, tmp_path)

    assert_all_agree(image, of_files(FILES, SHORTS), tmp_path)


def test_all_readers_agree_on_a_partitioned_card_of_public_tools(tmp_path: Path) -> None:
    volume, image = tmp_path / "volume.img", tmp_path / "card.img"
    make(volume, 16, 8, tmp_path)
    offset = shifted(volume, 0x04, image)

    assert_all_agree(image, of_files(FILES, SHORTS, offset), tmp_path)


WRONG = {
    "missing": {path: content for path, content in FILES.items() if path != "SUB/TAIL"},
    "extra": {**FILES, "SUB/MORE": b""},
    "longer": {**FILES, "HELLO.TXT": b"hello\n\n"},
    "other bytes": {**FILES, "HELLO.TXT": b"hellO\n"},
    "other name": {path.replace("EMPTY", "EMPTI"): content for path, content in FILES.items()},
    "other order": dict(reversed(FILES.items())),
}
SEEN = [
    (reader, wrong)
    for reader in READERS
    for wrong in WRONG
    if reader != "fsck.fat"  # reads no contents: see below
    and (reader, wrong) != ("pyfatfs", "other order")  # sorts
]


@pytest.mark.parametrize(("reader", "wrong"), SEEN)
def test_each_reader_notices_what_differs(reader: str, wrong: str, tmp_path: Path) -> None:
    image = tmp_path / "card.img"
    make(image, 12, 1, tmp_path)
    others = {other: "tried by itself" for other in READERS if other != reader}

    with pytest.raises(AssertionError):
        assert_all_agree(image, of_files(WRONG[wrong], SHORTS), tmp_path, skip=others)


def test_fsck_notices_fats_that_differ(tmp_path: Path) -> None:
    image = tmp_path / "card.img"
    make(image, 12, 1, tmp_path)
    content = bytearray(image.read_bytes())
    content[512 + 4] ^= 1
    image.write_bytes(content)
    others = {other: "tried by itself" for other in READERS if other != "fsck.fat"}

    with pytest.raises(AssertionError, match="FATs differ"):
        assert_all_agree(image, of_files(FILES, SHORTS), tmp_path, skip=others)
