"""What kind of archive a file is, by how it begins."""

from __future__ import annotations

from enum import Enum

BEGINNING = 512
"""Bytes of a file that tell its kind."""


class Kind(Enum):
    """The archives that are read. Gzip, bzip2 and xz pack one file, which may be a tar."""

    ZIP = "ZIP"
    TAR = "tar"
    GZIP = "gzip"
    BZIP2 = "bzip2"
    XZ = "xz"


BEGINNINGS = (
    (b"PK\x03\x04", Kind.ZIP),
    (b"PK\x05\x06", Kind.ZIP),
    (b"\x1f\x8b\x08", Kind.GZIP),
    (b"BZh", Kind.BZIP2),
    (b"\xfd7zXZ\0", Kind.XZ),
)
"""How an archive begins. Sources: APPNOTE 4.3.7 and 4.3.16 (a local header, or at once the end record); RFC 1952,
2.3.1; the bzip2 manual, 2.2 (then the block size and a block, see ``kind_of``); The .xz File Format 1.1.0, 2.1.1.1."""

BZIP2_BLOCKS = (b"1AY&SY", b"\x17rE8P\x90")
"""How the first block of bzip2 begins, and the end where there is none."""

TAR_MAGIC, TAR_MAGIC_AT = b"ustar", 257
"""Source: POSIX.1-2017, pax, "ustar Interchange Format"."""

UNREAD = (
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive"),
    (b"Rar!\x1a\x07", "a RAR archive"),
    (b"\x28\xb5\x2f\xfd", "packed by Zstandard"),
    (b"MSCF\0\0\0\0", "a cabinet archive"),
)
"""Kinds that are told and not read. Sources: RFC 8878, 3.1.1 (Zstandard); the others from memory."""

PACKED = {Kind.GZIP: (".gz", ".tgz"), Kind.BZIP2: (".bz2", ".tbz2"), Kind.XZ: (".xz", ".txz")}
SUFFIXES = (".zip", ".tar", ".7z", ".rar", *(suffix for suffixes in PACKED.values() for suffix in suffixes))
"""How archives within archives are called; others are not looked into."""


def kind_of(start: bytes) -> Kind | None:
    """Return the kind of an archive that begins so, None for anything else."""
    kind = next((kind for beginning, kind in BEGINNINGS if start.startswith(beginning)), None)
    if kind is Kind.BZIP2 and not (start[3:4] in b"123456789" and start[4:10] in BZIP2_BLOCKS):
        return None
    return kind or (Kind.TAR if start[TAR_MAGIC_AT:].startswith(TAR_MAGIC) else None)


def unread(start: bytes) -> str:
    """Return what a file is that begins as an archive of a kind that is not read does, "" for anything else."""
    return next((what for beginning, what in UNREAD if start.startswith(beginning)), "")


def inner_name(name: str) -> str:
    """Return what the file is called that a packed file of this name holds: "u1.bin" of "u1.bin.gz"."""
    last = name.rpartition("/")[2]
    stem = last.rpartition(".")[0] or last
    return f"{stem}.tar" if last.lower().endswith((".tgz", ".tbz2", ".txz")) else stem
