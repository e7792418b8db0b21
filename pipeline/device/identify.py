"""Which known card a medium holds, told from its file system's own structures; no file is read."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Generic, TypeVar

from pipeline.device.ranges import BLOCK, Read
from pipeline.fat.structure import structure
from pipeline.model.plan import SECTOR, Plan

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Identity(Generic[T]):
    """What a card seems to be, and the builds it can be of.

    ``kind``: "known" (its tables and folders are those of each of ``builds``), "touched" (its serial is theirs, and its
    tables or folders are not), "half-written" (of the first of ``builds``), "foreign", "no FAT volume" or "empty".
    """

    kind: str
    builds: tuple[T, ...] = ()


def identify(known: Iterable[tuple[Plan, T]], read: Read) -> Identity[T]:
    """Return which of the known builds, each with its plan, a card holds; raises OSError when it cannot be read.

    Builds that the card has more tables and folders of come first.
    """
    differing = dict[int, list[T]]()
    wiped = not any(read(0, BLOCK))
    for plan, build in known:
        if wiped and is_half_written(plan, read):
            return Identity("half-written", (build,))
        if has_serial(plan, read):
            count = sum(read(offset, len(data)) != data for offset, data in structure(plan))
            differing.setdefault(count, []).append(build)
    if not differing:
        return Identity(_foreign(read))
    if 0 in differing:
        return Identity("known", tuple(differing[0]))
    return Identity("touched", tuple(build for count in sorted(differing) for build in differing[count]))


def is_half_written(plan: Plan, read: Read) -> bool:
    """Whether a card is as an interrupted write leaves it: its first block wiped, and behind it what a plan has there.

    Any table or folder of the plan that is not all zeros counts.
    """
    if any(read(0, BLOCK)):
        return False
    behind = ((offset, data) for offset, data in structure(plan) if offset >= BLOCK and any(data))
    return any(read(offset, len(data)) == data for offset, data in behind)


def has_serial(plan: Plan, read: Read) -> bool:
    """Whether the volume of a card has the serial of a plan, where that plan has its boot sector."""
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
