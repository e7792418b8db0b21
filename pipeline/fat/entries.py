"""Directory entries: the 32-byte slots of files, folders, labels and long names.

Source: Microsoft FAT32 File System Specification 1.03 (2000), "FAT Directory Structure" and "Long Directory Entries".
"""

from __future__ import annotations

import struct
from datetime import datetime

from pipeline.fat.names import UNITS_IN_SLOT, checksum, raw_short

SLOT = 32
"""Bytes of a directory slot."""

READ_ONLY, HIDDEN, SYSTEM, VOLUME_LABEL, DIRECTORY, ARCHIVE = 0x01, 0x02, 0x04, 0x08, 0x10, 0x20
LONG_NAME = READ_ONLY | HIDDEN | SYSTEM | VOLUME_LABEL

EARLIEST, LATEST = datetime(1980, 1, 1), datetime(2100, 2, 28, 23, 59, 59)
"""The moments that every reader shows correctly: entries begin in 1980, and some readers take 2100 for a leap year."""

MOMENTS = f"{EARLIEST:%Y-%m-%d} to {LATEST:%Y-%m-%d}"

MOST_SLOTS = 65_536
"""Slots of a directory: 2 MiB."""

ENTRY = struct.Struct("<11sBBBHHHHHHHI")
"""Name, attributes, NTRes, creation 10 ms, creation time and date, access date, cluster bits 31-16, write time and
date, cluster bits 15-0, size."""

LONG = struct.Struct("<B10sBBB12sH4s")
"""Order, units 1-5, attributes, type, checksum, units 6-11, cluster (0), units 12-13."""


def encode_moment(moment: datetime) -> tuple[int, int]:
    """Return ``(date, time)``: two unsigned 16-bit words of a directory entry.

    date: bits 15-9 years since 1980, 8-5 month 1-12, 4-0 day 1-31.
    time: bits 15-11 hours, 10-5 minutes, 4-0 two-second steps, rounded down.

    No zone is stored: ``moment`` is written as its wall clock reads.
    Raises ValueError for years outside 1980-2107.
    """
    if not 1980 <= moment.year <= 2107:
        raise ValueError(f"year {moment.year} cannot be written; expected 1980 to 2107")
    date = moment.year - 1980 << 9 | moment.month << 5 | moment.day
    return date, moment.hour << 11 | moment.minute << 5 | moment.second // 2


def day_text(date: int) -> str:
    """Return "1980-01-01": a date word as it reads, though no calendar may have that day."""
    return f"{1980 + (date >> 9)}-{date >> 5 & 15:02}-{date & 31:02}"


def time_text(time: int, hundredths: int = 0) -> str:
    """Return "23:59:58": a time word as it reads; ``hundredths``, 0 to 199, can add a second."""
    return f"{time >> 11:02}:{time >> 5 & 63:02}:{(time & 31) * 2 + hundredths // 100:02}"


def file_entry(short: str, cluster: int, size: int, moment: datetime) -> bytes:
    """Return the slot of a file; ``cluster`` is 0 for an empty one."""
    return _entry(raw_short(short), ARCHIVE, cluster, size, moment)


def folder_entry(short: str, cluster: int, moment: datetime) -> bytes:
    """Return the slot of a folder; its size is always written as 0."""
    return _entry(raw_short(short), DIRECTORY, cluster, 0, moment)


def dot_entries(cluster: int, parent_cluster: int, moment: datetime) -> bytes:
    """Return the two slots a folder begins with: itself and its parent, whose cluster is 0 if it is the root."""
    own = _entry(b".".ljust(11), DIRECTORY, cluster, 0, moment)
    return own + _entry(b"..".ljust(11), DIRECTORY, parent_cluster, 0, moment)


def label_entry(label: str, moment: datetime) -> bytes:
    """Return the slot of the volume label, which stands in the root directory only."""
    return _entry(raw_label(label), VOLUME_LABEL, 0, 0, moment)


def raw_label(label: str) -> bytes:
    """Return the 11 bytes of a volume label, padded with blanks; "NO NAME" where there is none."""
    return (label or "NO NAME").encode("ascii").ljust(11)


def long_name_slots(name: str, short: str) -> bytes:
    """Return the slots that stand directly before the 8.3 entry, the highest order first; nothing if none is needed.

    The name ends with one 0000 and is padded with FFFF; a multiple of 13 units has neither.
    """
    if name == short:
        return b""
    total = checksum(raw_short(short))
    units = name.encode("utf-16-le")
    count = -(-len(units) // (2 * UNITS_IN_SLOT))
    units = (units + b"\0\0")[: count * 2 * UNITS_IN_SLOT].ljust(count * 2 * UNITS_IN_SLOT, b"\xff")
    parts = []
    for order in range(count, 0, -1):
        part = units[(order - 1) * 2 * UNITS_IN_SLOT : order * 2 * UNITS_IN_SLOT]
        last = 0x40 if order == count else 0
        parts.append(LONG.pack(order | last, part[:10], LONG_NAME, 0, total, part[10:22], 0, part[22:]))
    return b"".join(parts)


def _entry(raw11: bytes, attributes: int, cluster: int, size: int, moment: datetime) -> bytes:
    """Return one slot; creation, access and write carry the same moment."""
    date, time = encode_moment(moment)
    return ENTRY.pack(raw11, attributes, 0, 0, time, date, date, cluster >> 16, time, date, cluster & 0xFFFF, size)
