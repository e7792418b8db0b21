"""What a card holds in place of a FAT volume: other file systems, partition tables and archives, known by their magic.

Sources of the offsets: Microsoft exFAT File System Specification (2019), 3.1.2 "FileSystemName"; Microsoft Windows 2000
Resource Kit, "NTFS Boot Sector" (OEM ID); Linux kernel documentation and headers: ext4/globals (s_magic), btrfs
(disk format, "Superblock"), f2fs_fs.h, xfs (on-disk format, sb_magicnum), squashfs, swap.h; Apple Technical Note TN1150
(HFS Plus volume header) and Apple File System Reference (nx_magic); ECMA-119, 8.4.2 "Standard Identifier"; LUKS On-Disk
Format 1.2.3, 3.1; UEFI Specification 2.10, 5.3.2 (GPT header); RFC 1952 (gzip), RFC 8878 (Zstandard), the .xz file
format 1.2.1, PKWARE APPNOTE.TXT 4.3.7 (ZIP). LVM2's label: from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from pipeline.fat.boot import PARTITION, SIGNATURE, TABLE
from pipeline.model.plan import SECTOR
from pipeline.model.text import counted
from pipeline.volume.boot import parse_boot
from pipeline.volume.source import NotFatError, PaddedReader

FORMAT = "format it as FAT32 or FAT16, or write a whole image to it: doit write CARD DEVICE"
OF_COMPUTERS = "check that this is the card and not a disk of the computer; if it is the card, " + FORMAT
SOLD = "cards above 32 GB are sold with exFAT; " + FORMAT
UNPACK = "unpack it and give the image that is in it"
MBR = "boards read a partition table of the MBR kind, or none; check that this is the card, then " + FORMAT
PRIMARY = "boards read primary partitions; " + FORMAT


@dataclass(frozen=True, slots=True)
class Magic:
    """Bytes at an offset that tell what something is, and what to do about it."""

    offset: int
    magic: bytes
    name: str
    hint: str


FILE_SYSTEMS = (
    Magic(3, b"EXFAT   ", "exFAT", SOLD),
    Magic(3, b"NTFS    ", "NTFS", OF_COMPUTERS),
    Magic(0, b"XFSB", "XFS", OF_COMPUTERS),
    Magic(0, b"LUKS\xba\xbe", "an encrypted volume (LUKS)", OF_COMPUTERS),
    Magic(0, b"hsqs", "SquashFS", OF_COMPUTERS),
    Magic(32, b"NXSB", "APFS", OF_COMPUTERS),
    Magic(512, b"LABELONE", "a part of a volume group (LVM2)", OF_COMPUTERS),
    Magic(1024, b"H+\0\4", "HFS Plus", OF_COMPUTERS),
    Magic(1024, b"HX\0\5", "HFS Plus", OF_COMPUTERS),
    Magic(1024, b"\x10\x20\xf5\xf2", "F2FS", OF_COMPUTERS),
    Magic(1080, b"\x53\xef", "ext2, ext3 or ext4", OF_COMPUTERS),
    *(
        Magic(page - 10, magic, "swap space", OF_COMPUTERS)
        for page in (4096, 8192, 16384, 65536)
        for magic in (b"SWAPSPACE2", b"SWAP-SPACE")
    ),
    Magic(32769, b"CD001", "ISO 9660 (an image of a CD)", OF_COMPUTERS),
    Magic(65600, b"_BHRfS_M", "Btrfs", OF_COMPUTERS),
)
"""Offsets in bytes from the start of the card or of a partition."""

WHOLE = (
    Magic(0, b"\x1f\x8b\x08", "a gzip archive", UNPACK),
    Magic(0, b"\x28\xb5\x2f\xfd", "a Zstandard archive", UNPACK),
    Magic(0, b"\xfd7zXZ\0", "an xz archive", UNPACK),
    Magic(0, b"PK\x03\x04", "a ZIP archive", UNPACK),
    *(Magic(size, b"EFI PART", "a disk with a GPT partition table", MBR) for size in (512, 4096)),
)
"""What only a whole card or file can be; the GPT header is in its second sector."""

EXTENDED_TYPES = (0x05, 0x0F, 0x85)
"""Source: Ralf Brown's Interrupt List, the table of partition types."""

MOST_LOGICAL = 64
"""Logical partitions followed."""

EXPECTED = "expected FAT12, FAT16 or FAT32"
NAME = "name an image, a disk or a folder that holds a card"

Entry = tuple[int, int, int]
"""Type, first sector, sectors."""


def table_entries(sector: bytes) -> tuple[Entry, ...]:
    """Return the used entries of a partition table; none without its signature or where a status byte is wrong."""
    if sector[510:] != SIGNATURE:
        return ()
    raw = [PARTITION.unpack_from(sector, TABLE + PARTITION.size * number) for number in range(4)]
    if any(status & 0x7F for status, *_ in raw):
        return ()
    return tuple((kind, start, sectors) for _, _, kind, _, start, sectors in raw if kind)


def no_volume(source: PaddedReader, entries: tuple[Entry, ...]) -> NotFatError:
    """Return the error that says what is there in place of a FAT volume; ``entries``: of the partition table."""
    if found := _known(source, 0, (*WHOLE, *FILE_SYSTEMS)):
        return NotFatError(f"this is {found.name}; {EXPECTED}", found.hint)
    if source.size < SECTOR:
        what = f"it has {counted(source.size, 'byte')}" if source.size else "it is empty"
        return NotFatError(f"{what}; expected at least one sector of {SECTOR} bytes", NAME)
    if entries:
        return _partitioned(source, entries)
    if not any(source.read(0, SECTOR)):
        return NotFatError("the first sector holds only zeros; expected a partition table or a FAT boot sector", NAME)
    return NotFatError("found neither a partition table nor a FAT boot sector in the first sector", NAME)


def _known(source: PaddedReader, at: int, table: tuple[Magic, ...]) -> Magic | None:
    return next((known for known in table if source.read(at + known.offset, len(known.magic)) == known.magic), None)


def _partitioned(source: PaddedReader, entries: tuple[Entry, ...]) -> NotFatError:
    """Return what to say of a card none of whose primary partitions holds a FAT volume."""
    logical = list(_logical(source, next((start for kind, start, _ in entries if kind in EXTENDED_TYPES), 0)))
    for _, start in logical:
        if boot := parse_boot(source.read(start * SECTOR, SECTOR)):
            what = f"the FAT{boot.fat_bits} volume is in an extended partition, at sector {start:,}"
            return NotFatError(f"{what}; expected it in a primary one", PRIMARY)
    parts = [(kind, start) for kind, start, _ in entries if kind not in EXTENDED_TYPES] + logical
    known = [
        (f"the partition of type {kind:02X} at sector {start:,} is {found.name}", found.hint)
        for kind, start in parts
        if (found := _known(source, start * SECTOR, FILE_SYSTEMS))
    ]
    if known:
        return NotFatError(f"{', '.join(what for what, _ in known)}; {EXPECTED}", known[0][1])
    kinds = ", ".join(f"{kind:02X}" for kind, _, _ in entries)
    return NotFatError(f"found a partition table with types {kinds}; expected a FAT volume in one of them", FORMAT)


def _logical(source: PaddedReader, extended: int) -> Iterator[tuple[int, int]]:
    """Yield (type, first sector) of the logical partitions of an extended one; nothing where ``extended`` is 0.

    Each has a table of its own: its first entry counts from that table, a second one, of an extended type, leads to
    the next table and counts from the extended partition. Source: Ralf Brown's Interrupt List, "Format of hard disk
    master boot sector".
    """
    table = extended
    for _ in range(MOST_LOGICAL if extended else 0):
        entries = table_entries(source.read(table * SECTOR, SECTOR))
        yield from ((kind, table + start) for kind, start, _ in entries[:1] if kind not in EXTENDED_TYPES)
        following = next((start for kind, start, _ in entries if kind in EXTENDED_TYPES), 0)
        if not following:
            return
        table = extended + following
