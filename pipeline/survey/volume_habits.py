"""What the volume of a card shows of the board: FAT type, partition, the place of the label, the first file."""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.model.plan import SECTOR
from pipeline.model.reading import Item, Reading
from pipeline.model.text import counted, quote
from pipeline.model.units import show_size
from pipeline.survey.values import BLANK, FOUND, REMARK, SUGGESTED, Habit


def volume_habits(reading: Reading | None, size: int) -> Iterator[Habit]:
    """Yield the habits on the volume; ``reading``: None for a mounted folder, ``size``: of the card, in bytes."""
    if reading is None:
        evidence = "A mounted folder does not show the volume; an image or the disk itself does."
        yield Habit(way=("volumes",), standing=BLANK, value=("",), evidence=(evidence,))
        yield Habit(way=("partitioned",), standing=BLANK)
        return
    volume = reading.volume
    clusters = f"{volume.clusters:,} clusters of {show_size(volume.cluster_bytes)}"
    evidence = f"The card is FAT{volume.fat_bits} with {clusters}; the board may read other types too."
    yield Habit(way=("volumes",), standing=FOUND, value=(f"fat{volume.fat_bits}",), evidence=(evidence,))
    yield Habit(
        way=("partitioned",), standing=FOUND, value=bool(reading.partitions), evidence=tuple(_partitions(reading))
    )
    whole = size // SECTOR * SECTOR
    evidence = f"The card has {show_size(whole)}; how large a card may be is in the board's manual."
    value = whole if whole % 1024 else show_size(whole)
    yield Habit(way=("largest-card",), standing=SUGGESTED, value=value, evidence=(evidence,))
    yield _label(reading)
    yield Habit(way=(), standing=REMARK, evidence=(_first_file(reading),))


def _partitions(reading: Reading) -> Iterator[str]:
    start = reading.volume.start
    if not reading.partitions:
        yield "The card has no partition table: the volume begins at sector 0."
        return
    yield f"The partition table has {counted(len(reading.partitions), 'entry')}; the volume begins at sector {start:,}."
    yield "A build decides where it begins, so that clusters are aligned; no key states it."


def _label(reading: Reading) -> Habit:
    way = ("label-entry",)
    in_boot = f"the boot sector has {f'the label {quote(reading.boot_label)}' if reading.boot_label else 'no label'}"
    if not reading.label_offset:
        evidence = f"The root directory has no label, so the card does not show where the board expects it; {in_boot}."
        return Habit(way=way, standing=SUGGESTED, value="second", evidence=(evidence,))
    before = _entries_before_label(reading)
    standing, value, behind = SUGGESTED, "second", ""
    if not before:
        standing, value = FOUND, "first"
    elif len(before) == 1 and not before[0].is_folder and before[0].slots == 1:
        standing, behind = FOUND, f", behind {quote(before[0].path)}"
    where = f"is entry {len(before) + 1:,} of the root directory{behind}"
    different = f"; {in_boot}" if reading.boot_label != reading.label else ""
    evidence = f"The label {quote(reading.label)} {where}{different}."
    return Habit(way=way, standing=standing, value=value, evidence=(evidence,))


def _entries_before_label(reading: Reading) -> list[Item]:
    """Return the items of the root directory whose entries come before the label's."""
    position = _position(reading, reading.label_offset)
    root = [item for item in reading.items if "/" not in item.path]
    return [item for item in root if _position(reading, item.offset) < position]


def _position(reading: Reading, offset: int) -> tuple[int, int]:
    """Return where in the root directory an entry is: the number of its extent, and its offset in the image."""
    for number, extent in enumerate(reading.root_extents):
        start = reading.cluster_offset(extent[0])
        if start <= offset < start + extent[1] * reading.volume.cluster_bytes:
            return number, offset
    return 0, offset


def _first_file(reading: Reading) -> str:
    root = next((item for item in reading.items if "/" not in item.path and not item.is_folder), None)
    if root is None:
        return "The root directory holds no file."
    starts = [(item.extents[0][0], item.path) for item in reading.items if item.extents and not item.is_folder]
    if starts and min(starts)[1] == root.path:
        return (
            f"The first file is {quote(root.path)}, and it has the lowest cluster of all files. If a core reads it"
            ' without a file system, its file has placement = "first" in the manifest of the core.'
        )
    return (
        f"The first file is {quote(root.path)}; its cluster is not the lowest, so nothing shows that it must be first."
    )
