"""How the small values of a directory entry read."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.fat.entries import day_text, time_text

Times = tuple[int, int, int, int, int, int]

ATTRIBUTES = ("read-only", "hidden", "system", "volume label", "folder", "archive")
"""Bit 0 to bit 5. Source: Microsoft FAT32 File System Specification 1.03 (2000), "FAT Directory Structure"."""


def attributes_words(attributes: int) -> str:
    """Return the attributes of an entry by name."""
    names = [name for bit, name in enumerate(ATTRIBUTES) if attributes >> bit & 1]
    return ", ".join([*names, f"0x{attributes & 0xC0:02X}"] if attributes & 0xC0 else names) or "none"


def extents_words(extents: Sequence[tuple[int, int]]) -> str:
    """Return where a file lies: "cluster 12", "clusters 14 to 16", "4 pieces from cluster 20 on"."""
    if not extents:
        return "no cluster"
    first, count = extents[0]
    if len(extents) > 1:
        return f"{len(extents)} pieces from cluster {first:,} on"
    return f"cluster {first:,}" if count == 1 else f"clusters {first:,} to {first + count - 1:,}"


def times_words(old: Times, new: Times) -> tuple[str, str]:
    """Return the times that differ as they read, for both sides."""
    words = [
        ("created", old[:3], new[:3]),
        ("accessed", (old[3], 0, -1), (new[3], 0, -1)),
        ("written", (*old[4:], 0), (*new[4:], 0)),
    ]
    differing = [(name, old_time, new_time) for name, old_time, new_time in words if old_time != new_time]
    shown = {(_moment(*old_time), _moment(*new_time)) for _, old_time, new_time in differing}
    if len(differing) == 3 and old[:2] == old[4:] and new[:2] == new[4:]:
        return _moment(*words[2][1]), _moment(*words[2][2])
    if len(differing) == 1 and len(shown) == 1:
        name, old_time, new_time = differing[0]
        return f"{name} {_moment(*old_time)}", f"{name} {_moment(*new_time)}"
    sides = zip(
        *((f"{name} {_moment(*old_time)}", f"{name} {_moment(*new_time)}") for name, old_time, new_time in differing),
        strict=True,
    )
    before, after = (", ".join(side) for side in sides)
    return before, after


def _moment(date: int, time: int, hundredths: int) -> str:
    """Return the words of a moment as they read, though no calendar may have it; hundredths -1: a day alone."""
    return day_text(date) if hundredths < 0 else f"{day_text(date)} {time_text(time, hundredths)}"
