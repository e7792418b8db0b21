"""Which known card a medium holds, told from its file system's own structures; no file is read."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from pipeline.device.ranges import Read
from pipeline.fat.structure import structure
from pipeline.model.plan import SECTOR, Plan


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownCard:
    """A card that was built or published here. ``current``: whether it is what the build folder holds now."""

    card: str
    version: str
    plan: Plan
    current: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """What a medium seems to be: ``kind`` is "current", "older", "touched", "foreign", "no FAT volume" or "empty".

    ``card`` and ``version`` of the known card it is, "" otherwise. "touched": the serial is a known card's, but its
    directories or tables are not.
    """

    kind: str
    card: str = ""
    version: str = ""


def identify(known: Iterable[KnownCard], read: Read) -> Identity:
    """Return which of the known cards a medium holds; raises OSError when it cannot be read."""
    touched: KnownCard | None = None
    for one in known:
        if not _same_serial(one.plan, read):
            continue
        if all(read(offset, len(data)) == data for offset, data in structure(one.plan)):
            return Identity(kind="current" if one.current else "older", card=one.card, version=one.version)
        touched = touched or one
    if touched:
        return Identity(kind="touched", card=touched.card)
    return Identity(kind=_foreign(read))


def _same_serial(plan: Plan, read: Read) -> bool:
    at = plan.volume.start * SECTOR + (67 if plan.volume.fat_bits == 32 else 39)
    return int.from_bytes(read(at, 4), "little") == plan.serial


def _foreign(read: Read) -> str:
    """Return what a medium without a known card is.

    Source: FAT32 File System Specification 1.03: the signature 55 AA ends the boot sector, which begins with a jump.
    """
    first = read(0, SECTOR)
    start = int.from_bytes(first[454:458], "little") if first[510:] == b"\x55\xaa" else 0
    for offset in {0, start}:
        boot = read(offset * SECTOR, SECTOR)
        if boot[510:] == b"\x55\xaa" and boot[:1] in (b"\xeb", b"\xe9") and boot[11:13] == b"\x00\x02":
            return "foreign"
    return "no FAT volume" if any(first) else "empty"
