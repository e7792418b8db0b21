"""What is no FAT volume is named, with what to do; the judge of the names is libmagic's ``file``."""

from __future__ import annotations

import gzip
import io
import lzma
import struct
import subprocess
import zipfile
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest

from pipeline.volume.foreign import FILE_SYSTEMS, FORMAT, MBR, NAME, OF_COMPUTERS, PRIMARY, SOLD, UNPACK, WHOLE
from pipeline.volume.read import NotFatError
from tests.strangers.tools import require
from tests.unit.volume.making import by_mkfs, reading_of

SIZE = 80 << 10

EXFAT = (
    b"\xeb\x76\x90EXFAT   "
    + bytes(53)
    + struct.pack("<QQIIIIIIHHBBBBB", 0, 8192, 24, 8, 32, 1000, 5, 0x1234ABCD, 0x100, 0, 9, 3, 1, 0x80, 0)
).ljust(510, b"\xf4") + b"\x55\xaa"
"""Jump, name and MustBeZero, then offset, length, FAT, clusters, root, serial, revision, flags, shifts, FATs, drive.

Source: Microsoft exFAT File System Specification (2019), 3.1, "Main and Backup Boot Sector Sub-regions".
"""

NTFS = (
    b"\xeb\x52\x90NTFS    "
    + struct.pack("<HBHBHHBHHHIIIQQQII", 512, 8, 0, 0, 0, 0, 0xF8, 0, 63, 255, 0, 0, 0x800080, 8191, 4, 512, 0xF6, 1)
).ljust(510, b"\0") + b"\x55\xaa"
"""Source: Microsoft Windows 2000 Resource Kit, "NTFS Boot Sector": the fields of the BPB and those that follow it."""

MADE = {
    "exFAT": ({0: EXFAT}, SOLD),
    "NTFS": ({0: NTFS}, OF_COMPUTERS),
    "XFS": ({0: b"XFSB\0\0\x10\0"}, OF_COMPUTERS),
    "an encrypted volume (LUKS)": ({0: b"LUKS\xba\xbe\0\1aes"}, OF_COMPUTERS),
    "SquashFS": ({0: b"hsqs" + bytes(24) + b"\4\0\0\0"}, OF_COMPUTERS),
    "APFS": ({32: b"NXSB\0\x10\0\0"}, OF_COMPUTERS),
    "a part of a volume group (LVM2)": ({512: b"LABELONE" + bytes(16) + b"LVM2 001"}, OF_COMPUTERS),
    "HFS Plus": ({1024: b"H+\0\4" + bytes(4) + b"10.0"}, OF_COMPUTERS),
    "F2FS": ({1024: b"\x10\x20\xf5\xf2\1\0\7\0"}, OF_COMPUTERS),
    "ext2, ext3 or ext4": ({1080: b"\x53\xef\1\0"}, OF_COMPUTERS),
    "swap space": ({1024: b"\1\0\0\0", 4086: b"SWAPSPACE2"}, OF_COMPUTERS),
    "ISO 9660 (an image of a CD)": ({32768: b"\1CD001\1\0"}, OF_COMPUTERS),
    "Btrfs": ({65600: b"_BHRfS_M"}, OF_COMPUTERS),
    "a disk with a GPT partition table": (
        {446: b"\0\0\2\0\xee\xff\xff\xff\1\0\0\0\xff\xff\0\0", 510: b"\x55\xaaEFI PART\0\0\1\0\x5c\0\0\0"},
        MBR,
    ),
}
"""Bytes at offsets, by the sources that ``foreign`` names; enough of each that ``file`` knows it too."""

LIBMAGIC = {
    "exFAT": "EXFAT", "NTFS": "NTFS", "XFS": "XFS", "an encrypted volume (LUKS)": "LUKS", "SquashFS": "Squashfs",
    "APFS": "APFS", "a part of a volume group (LVM2)": "LVM2", "HFS Plus": "Apple HFS Plus", "F2FS": "F2FS",
    "ext2, ext3 or ext4": "ext2", "swap space": "swap file", "ISO 9660 (an image of a CD)": "ISO 9660",
    "Btrfs": "BTRFS", "a disk with a GPT partition table": "ID=0xee",
}  # fmt: skip


def at(patches: dict[int, bytes], size: int = SIZE) -> bytes:
    data = bytearray(size)
    for offset, raw in patches.items():
        data[offset : offset + len(raw)] = raw
    return bytes(data)


def said(data: bytes) -> tuple[str, str]:
    with pytest.raises(NotFatError) as caught:
        reading_of(data)
    return str(caught.value), caught.value.hint


def test_everything_that_is_known_is_tried() -> None:
    assert {one.name for one in FILE_SYSTEMS} | {WHOLE[-1].name} == MADE.keys() == LIBMAGIC.keys()


@pytest.mark.parametrize("name", MADE)
def test_a_medium_that_is_no_fat_volume_is_named(name: str) -> None:
    patches, hint = MADE[name]

    assert said(at(patches)) == (f"this is {name}; expected FAT12, FAT16 or FAT32", hint)


@pytest.mark.parametrize("name", MADE)
def test_libmagic_gives_it_the_same_name(name: str, tmp_path: Path) -> None:
    (tmp_path / "medium.img").write_bytes(at(MADE[name][0]))
    command = [require("file"), "--brief", "--keep-going", str(tmp_path / "medium.img")]
    told = subprocess.run(command, check=True, capture_output=True, text=True).stdout

    assert LIBMAGIC[name].lower() in told.lower()


@pytest.mark.parametrize(
    ("command", "name"),
    [
        (["mkfs.ext4", "-q", "-F"], "ext2, ext3 or ext4"),
        (["mkswap"], "swap space"),
        (["mkswap", "-p8192"], "swap space"),
    ],
)
def test_what_the_systems_own_tools_made_is_named(command: list[str], name: str, tmp_path: Path) -> None:
    image = tmp_path / "medium.img"
    image.write_bytes(bytes(4 << 20))
    subprocess.run([require(command[0]), *command[1:], str(image)], check=True, capture_output=True)

    assert said(image.read_bytes()) == (f"this is {name}; expected FAT12, FAT16 or FAT32", OF_COMPUTERS)


def zipped(data: bytes) -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as archive:
        archive.writestr("card.img", data)
    return file.getvalue()


@pytest.mark.parametrize(
    ("archive", "name"),
    [
        (gzip.compress, "a gzip archive"),
        (lzma.compress, "an xz archive"),
        (zipped, "a ZIP archive"),
    ],
)
def test_an_archive_is_named_and_to_be_unpacked(archive: Callable[[bytes], bytes], name: str) -> None:
    assert said(archive(bytes(4096))) == (f"this is {name}; expected FAT12, FAT16 or FAT32", UNPACK)


def test_a_zstandard_archive_is_named(tmp_path: Path) -> None:
    (tmp_path / "card.img").write_bytes(bytes(4096))
    subprocess.run([require("zstd"), "-q", str(tmp_path / "card.img")], check=True)

    what, hint = said((tmp_path / "card.img.zst").read_bytes())
    assert (what, hint) == ("this is a Zstandard archive; expected FAT12, FAT16 or FAT32", UNPACK)


def table(entries: Iterable[tuple[int, int, int]]) -> bytes:
    """A partition table with entries of (type, first sector, sectors)."""
    raw = b"".join(struct.pack("<B3xB3xII", 0, *entry) for entry in entries)
    return bytes(446) + raw.ljust(64, b"\0") + b"\x55\xaa"


def test_the_file_systems_of_partitions_are_named() -> None:
    card = at({0: table([(0x07, 16, 64), (0x83, 80, 64)]), 16 * 512: EXFAT, 80 * 512 + 1080: b"\x53\xef"})

    assert said(card) == (
        "the partition of type 07 at sector 16 is exFAT, the partition of type 83 at sector 80 is ext2, ext3 or ext4; "
        "expected FAT12, FAT16 or FAT32",
        SOLD,
    )


@pytest.mark.parametrize("kind", [0x05, 0x0F, 0x85])
def test_a_volume_in_an_extended_partition_is_found_and_refused(kind: int, tmp_path: Path) -> None:
    """Of two logical partitions the second is FAT12; Linux counts them as 5 and 6."""
    volume = by_mkfs(tmp_path / "volume.img", 12)
    first, link = (0x83, 1, 8), (0x05, 16, 1 + len(volume) // 512)
    card = at({0: table([(kind, 32, 6000)]), 32 * 512: table([first, link]), 48 * 512: table([(0x01, 1, 4096)])})
    card = card[: 49 * 512] + volume

    assert said(card) == (
        "the FAT12 volume is in an extended partition, at sector 49; expected it in a primary one",
        PRIMARY,
    )


def test_extended_partitions_in_a_circle_end() -> None:
    card = at(
        {0: table([(0x05, 8, 100)]), 8 * 512: table([(0x83, 1, 1), (0x05, 1, 1)]), 9 * 512: table([(0x05, 1, 1)])}
    )

    assert said(card) == ("found a partition table with types 05; expected a FAT volume in one of them", FORMAT)


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"", "it is empty; expected at least one sector of 512 bytes"),
        (b"\0", "it has 1 byte; expected at least one sector of 512 bytes"),
        (bytes(511), "it has 511 bytes; expected at least one sector of 512 bytes"),
        (bytes(512), "the first sector holds only zeros; expected a partition table or a FAT boot sector"),
        (b"\x7fELF" * 1024, "found neither a partition table nor a FAT boot sector in the first sector"),
    ],
)
def test_what_is_nothing_known_is_said(data: bytes, what: str) -> None:
    assert said(data) == (what, NAME)


def test_the_types_of_partitions_without_anything_known_are_said() -> None:
    what = "found a partition table with types 83, EE; expected a FAT volume in one of them"
    assert said(at({0: table([(0x83, 16, 1), (0xEE, 17, 1)])})) == (what, FORMAT)
