"""Whether a disk may be written: the guards against the wrong one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from pipeline.device.disk import Disk

REMOVABLE = {"usb", "mmc", "sdio", "memstick"}
"""Buses of card readers (Linux kernel names). An internal reader says it is not removable, but that its bus is mmc."""
CEILING = 128_000_000_000
"""Bytes above which a disk is probably no card for such a board; the option --large raises it."""


@dataclass(frozen=True, order=True, slots=True, kw_only=True)
class GuardProblem:
    """Why a disk is not written: what was seen, and what to do."""

    what: str
    hint: str


def guard_problems(disk: Disk, image_size: int, *, large: bool) -> tuple[GuardProblem, ...]:
    """Return every reason not to write an image of ``image_size`` bytes to a disk; none when it may be written."""
    return tuple(sorted(_guard_problems(disk, image_size, large=large)))


def _guard_problems(disk: Disk, image_size: int, *, large: bool) -> Iterator[GuardProblem]:
    if disk.kind != "loop" and not disk.buses & REMOVABLE:
        buses = ", ".join(sorted(disk.buses)) or "nothing known"
        yield GuardProblem(
            what=f"it is connected by {buses}, expected a card reader (USB, MMC)", hint="this is not a card"
        )
    for use in disk.uses:
        yield GuardProblem(what=use, hint=f"if this is the card: unmount it first (umount {use.split()[0]})")
    if disk.read_only:
        yield GuardProblem(what="it is read-only", hint="move the switch at the side of the card")
    if disk.size < image_size:
        what = f"it holds {disk.size:,} bytes, the image has {image_size:,}"
        yield GuardProblem(what=what, hint="take a larger card, or make the volume smaller (volume.size)")
    if disk.size > CEILING and not large:
        what = f"it holds {rounded(disk.size)}, more than cards for such boards do ({rounded(CEILING)})"
        yield GuardProblem(what=what, hint="if it is the card all the same, add --large")


def agreed(disk: Disk) -> str:
    """Return what a person types to agree: model and size, as they are shown."""
    return f"{disk.model or disk.kind} {rounded(disk.size)}"


def rounded(size: int) -> str:
    """Return a size as it is printed on cards: "31.9 GB"."""
    return f"{size / 1e9:.1f} GB" if size >= 1e9 else f"{size / 1e6:.1f} MB"
