"""Archives for the tests: honest ones made by zipfile, and hand-made bytes for the others.

The hand-made form follows PKWARE APPNOTE 6.3.10, 4.3.7 (local header), 4.3.12 (central directory), 4.3.16 (end).
"""

from __future__ import annotations

import os
import struct
import time
import zipfile
import zlib
from dataclasses import dataclass
from pathlib import Path

LONG_AGO = time.time() - 3600


def age(path: Path) -> Path:
    """Make a file an hour old, so that what is learned from it may be remembered."""
    os.utime(path, (LONG_AGO, LONG_AGO))
    return path


def put(path: Path, data: bytes) -> Path:
    """Write a file that looks an hour old."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return age(path)


def pack(path: Path, members: dict[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> Path:
    """Make an honest archive that looks an hour old."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with zipfile.ZipFile(path, "w", method) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return age(path)


def deflate(data: bytes, *, sync: bool = False) -> bytes:
    """Return a deflate stream; ``sync``: the last block is empty and stands alone, as writers of streams leave it."""
    packer = zlib.compressobj(9, zlib.DEFLATED, -zlib.MAX_WBITS)
    return packer.compress(data) + (packer.flush(zlib.Z_SYNC_FLUSH) if sync else b"") + packer.flush()


@dataclass(frozen=True, kw_only=True)
class Hand:
    """A member whose every claim can be false; None takes what is true."""

    name: bytes
    data: bytes = b""
    method: int = 8
    flags: int = 0
    packed: bytes | None = None
    size: int | None = None
    packed_size: int | None = None
    crc32: int | None = None
    mode: int = 0
    local_name: bytes | None = None
    offset: int | None = None
    extra: bytes = b""


def by_hand(
    *members: Hand, entries: int | None = None, comment: bytes = b"", before: bytes = b"", disk: int = 0, gap: int = 0
) -> bytes:
    """Return an archive that says exactly what it is told to say."""
    body, directory = b"", b""
    for member in members:
        packed = member.packed if member.packed is not None else member.data
        if member.packed is None and member.method == 8:
            packed = deflate(member.data)
        crc = zlib.crc32(member.data) if member.crc32 is None else member.crc32
        size = len(member.data) if member.size is None else member.size
        packed_size = len(packed) if member.packed_size is None else member.packed_size
        local_name = member.name if member.local_name is None else member.local_name
        offset = len(body) if member.offset is None else member.offset
        sizes = struct.pack("<3L", crc, packed_size & 0xFFFFFFFF, size & 0xFFFFFFFF)
        version = struct.pack("<4H", member.flags, member.method, 0, 0x21)
        body += b"PK\3\4\x14\0" + version + sizes + struct.pack("<2H", len(local_name), 0) + local_name + packed
        directory += b"PK\1\2\x14\3\x14\0" + version + sizes
        directory += struct.pack("<5H2L", len(member.name), len(member.extra), 0, 0, 0, member.mode << 16, offset)
        directory += member.name + member.extra
    count = len(members) if entries is None else entries
    end = struct.pack("<4H2LH", disk, disk, count, count, len(directory), len(body) + gap, len(comment))
    return before + body + directory + b"PK\5\6" + end + comment
