"""When a file counts as unchanged without being read."""

from __future__ import annotations

import os

SETTLED_AFTER = 2_000_000_000
"""Nanoseconds after which a second edit must show in the modification time; FAT counts it in steps of 2 s."""

UNSETTLED = ""
"""Stands for the signature of a file that has to be looked at again; equal to no signature."""


def signature(stat: os.stat_result) -> str:
    """Return size, modification time, inode and change time as one text; equal texts mean an unchanged file.

    Times in nanoseconds. On Windows the change time is the time of creation and a folder listing gives no inode, so
    both are 0 there: a file changed in place whose size and modification time were put back goes unnoticed, until
    its content is used and its SHA-256 checked. Text, because an inode may exceed SQLite's signed 64 bits.
    Source: Python documentation, ``os.stat_result`` and ``os.DirEntry.stat``.
    """
    if os.name == "nt":
        return f"{stat.st_size} {stat.st_mtime_ns} 0 0"
    return f"{stat.st_size} {stat.st_mtime_ns} {stat.st_ino} {stat.st_ctime_ns}"


def settled(stat: os.stat_result, now: int) -> bool:
    """Whether a later edit is sure to change the signature; ``now`` in nanoseconds since 1970.

    Within one step of the file system's clock a second edit of the same size leaves no trace, so what was learned
    from a file younger than that is not remembered. A time far in the future is as safe as one in the past: an edit
    would set it to the present.
    """
    return abs(now - stat.st_mtime_ns) >= SETTLED_AFTER
