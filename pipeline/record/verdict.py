"""Whether a card is still what its record says: what is damaged, and what was only touched since.

Touched is what systems do to a card that is merely plugged in: the dirty bit, times, the free counts of FSInfo, which
are hints by the specification, a disk signature, the name in the boot sector, another 8.3 name beside a long one, and
files of their own (common practice).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence, Set
from dataclasses import dataclass

from pipeline.fat.entries import ARCHIVE, SLOT
from pipeline.model.reading import Item, Reading
from pipeline.model.spans import differing_at
from pipeline.record.fields import BOOT, FS_INFO, TABLE, Naming, boot_fields, fat_entry, field_at
from pipeline.record.regions import Region

HARMLESS = ("dirty", "free count")
"""Findings that say nothing of the files."""

TIMES = frozenset(range(13, 20)) | frozenset(range(22, 26))
"""Bytes of a directory entry that hold times."""

NAME = range(11)
CHECKSUM = 13
"""Of the 8.3 name, in each slot of a long name."""

CLUSTER = frozenset((20, 21, 26, 27))
TOUCHED_FIELDS = {
    "boot sector": ("dirty bit", "system name"),
    "backup boot sector": ("dirty bit", "system name"),
    "FSInfo": ("free clusters", "next free cluster"),
    "partition table": ("disk signature",),
}


@dataclass(frozen=True, order=True, slots=True)
class DifferingSpot:
    """A place outside of files that is not as written: whose, which field, the offset of its first byte.

    ``path``: of the file or folder whose directory entry it is in, "" elsewhere.
    """

    owner: str
    field: str
    offset: int
    damaged: bool
    path: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundVolume:
    """What was read of the card as it is. ``sound``: nothing is wrong with the volume, and every file is right.

    ``yours``: planned files and folders that are the user's to change; whatever became of them is right.
    """

    sound: bool
    reading: Reading | None
    items: dict[str, Item]
    yours: Set[str] = frozenset()


def is_sound(planned: Reading, found: Reading, right: Set[str], yours: Set[str]) -> bool:
    """Whether nothing is wrong with a volume and all that was planned is on it; ``right``: files whose bytes are.

    Attributes are passed over, a new 8.3 name where there is a long one, and ``yours``, what is the user's.
    """
    items = {item.path: item for item in found.items}
    return (
        all(finding.kind in HARMLESS for finding in found.findings)
        and (found.label, found.serial) == (planned.label, planned.serial)
        and all(_is_there(item, items.get(item.path), right) for item in planned.items if item.path not in yours)
    )


def changed_attributes(planned: Reading, found: FoundVolume) -> Iterator[tuple[Item, Item]]:
    """Yield each file and folder whose attributes are not as planned, "archive" aside, as planned and as it is."""
    for item in planned.items:
        actual = found.items.get(item.path)
        if actual is not None and item.path not in found.yours and (item.attributes ^ actual.attributes) & ~ARCHIVE:
            yield item, actual


def _is_there(item: Item, actual: Item | None, right: Set[str]) -> bool:
    return (
        actual is not None
        and (item.is_folder, item.size) == (actual.is_folder, actual.size)
        and (item.short == actual.short or item.short != item.path.rpartition("/")[2])
        and (item.is_folder or item.path in right)
    )


def spots(region: Region, planned: bytes, actual: bytes, naming: Naming, found: FoundVolume) -> Iterator[DifferingSpot]:
    """Yield each field of a region outside of files that is not as planned, once, with the first byte of it.

    ``planned`` and ``actual``: all bytes of the region; ``naming``: of the planned card.
    """
    kind = region.owner.kind
    if kind == "FAT":
        differing = _fat(region, planned, actual, found)
    elif kind in ("folder", "root directory"):
        differing = _directory(region, planned, actual, naming, found)
    else:
        differing = _fields(region, planned, actual, found)
    seen = set()
    for offset, damaged in differing:
        field, path = naming.name(region, offset), ""
        if kind in ("slack", "before the volume", "reserved sectors"):
            field = ""
        elif field.startswith("slot "):
            field = field.partition(",")[0]
        elif kind in ("folder", "root directory"):
            path = naming.item_at(offset)[0]
            field = field.removesuffix(f" of {path}")
        if (field, path, damaged) not in seen:
            seen.add((field, path, damaged))
            yield DifferingSpot(str(region.owner), field, offset, damaged, path)


def _fields(region: Region, planned: bytes, actual: bytes, found: FoundVolume) -> Iterator[tuple[int, bool]]:
    kind = region.owner.kind
    fields = {"FSInfo": FS_INFO, "backup FSInfo": FS_INFO, "partition table": TABLE}.get(kind) or (
        boot_fields(found.reading.volume.fat_bits if found.reading else 16) if "boot" in kind else BOOT
    )
    moved = kind == "slack" and _moved(region.owner.path, region.start, found)
    for at in differing_at(planned, actual):
        field = field_at(fields, at)
        touched = moved or field in TOUCHED_FIELDS.get(kind, ())
        if field == "dirty bit":
            touched = (planned[at] ^ actual[at]) & ~3 == 0
        elif kind == "FSInfo" and touched:
            touched = _counts_can_be(actual, found)
        yield region.start + at, not touched


def _counts_can_be(fs_info: bytes, found: FoundVolume) -> bool:
    """Whether FSInfo's two numbers can be, right or stale: no more clusters than there are, a cluster that there is.

    Source: Microsoft FAT32 File System Specification 1.03 (2000), "FAT32 FSInfo Sector Structure": "It is not
    necessarily correct, but should be range checked at least to make sure it is <= volume cluster count."
    """
    if found.reading is None:
        return False
    free, following = (int.from_bytes(fs_info[at : at + 4], "little") for at in (488, 492))
    clusters, unknown = found.reading.volume.clusters, 0xFFFFFFFF
    return (free <= clusters or free == unknown) and (following == unknown or 2 <= following < clusters + 2)


def _fat(region: Region, planned: bytes, actual: bytes, found: FoundVolume) -> Iterator[tuple[int, bool]]:
    bits = found.reading.volume.fat_bits if found.reading else 16
    last = found.reading.volume.clusters + 1 if found.reading else 0
    seen = -1
    for at in differing_at(planned, actual):
        cluster = fat_entry(bits, at)
        if cluster == seen:
            continue
        seen = cluster
        if cluster == 1 and bits != 12:
            width = bits // 8
            entries = (int.from_bytes(side[width : 2 * width], "little") for side in (planned, actual))
            planned_entry, actual_entry = entries
            yield region.start + at, (planned_entry ^ actual_entry) & ~(0xC000 if bits == 16 else 0x0C000000) != 0
        else:
            yield region.start + at, not (found.sound and 2 <= cluster <= last)


def _directory(
    region: Region, planned: bytes, actual: bytes, naming: Naming, found: FoundVolume
) -> Iterator[tuple[int, bool]]:
    used = next((at for at in range(0, len(actual), SLOT) if not actual[at]), len(actual))
    for at in differing_at(planned, actual):
        slot, within = at - at % SLOT, at % SLOT
        offset = region.start + at
        path, long = naming.item_at(offset)
        yours = path in found.yours or region.owner.path in found.yours
        empty = not any(planned[slot : slot + SLOT])
        renamed = path in found.items and found.sound and found.items[path].short != naming.short_of(path)
        if empty:
            touched = found.sound and slot < used
        elif found.sound and (yours or (path and found.items[path].offset != naming.offset_of(path))):
            touched = True
        elif long:
            touched = renamed and within == CHECKSUM
        else:
            touched = within in TIMES or (within == 11 and planned[at] ^ actual[at] == ARCHIVE and path != "")
            touched = touched or (within in CLUSTER and found.sound and path != "")
            touched = touched or (renamed and within in NAME)
        yield offset, not touched


def _moved(path: str, offset: int, found: FoundVolume) -> bool:
    """Whether a file that is all right lies elsewhere now."""
    if not (found.sound and found.reading):
        return False
    if path in found.yours:
        return True
    return all(not start <= offset < start + length for start, length in found.reading.ranges(found.items[path]))


def chips_at(origin: dict[str, object], offsets: Sequence[int]) -> list[str]:
    """Return which chips the bytes at some offsets of a file are from, by the ranges its record has; all without."""
    ranges = origin.get("ranges")
    if not isinstance(ranges, list) or not offsets:
        contents = origin.get("contents")
        return [item["role"] for item in contents] if isinstance(contents, list) else []
    hit = [item for item in ranges if any(item["start"] <= at < item["end"] for at in offsets)]
    return list(dict.fromkeys(source.partition(", ")[0] for item in hit for source in item["from"]))
