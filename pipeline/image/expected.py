"""What the reader must find in an image, said in the reader's terms; the writer's code has no part in it.

Source, unless a function names another: Microsoft FAT32 File System Specification 1.03 (2000).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime

from pyfatfs.DosDateTime import DosDateTime

from pipeline.image.pyfat import Slot, Stamp
from pipeline.model.plan import SECTOR, Entry, Plan

LABEL, FOLDER, FILE = 0x08, 0x10, 0x20
"""Attributes."""

Planned = tuple[Slot, Entry | None]
"""A slot as it must be, and the file or folder it is of; None for labels and dot entries."""


def boot_fields(plan: Plan) -> Mapping[str, object]:
    """Return the fields a boot sector must have, by their names in the specification."""
    volume = plan.volume
    wide = volume.fat_bits == 32
    small = not wide and volume.sectors < 0x10000
    fields = {
        "BS_jmpBoot": b"\xeb\x58\x90" if wide else b"\xeb\x3c\x90",
        "BS_OEMName": b"MSWIN4.1",
        "BPB_BytsPerSec": SECTOR,
        "BPB_SecPerClus": volume.sectors_per_cluster,
        "BPB_RsvdSecCnt": volume.reserved,
        "BPB_NumFATs": 2,
        "BPB_RootEntCnt": volume.root_entries,
        "BPB_TotSec16": volume.sectors if small else 0,
        "BPB_Media": 0xF8,
        "BPB_FATSz16": 0 if wide else volume.fat_sectors,
        "BPB_SecPerTrk": volume.sectors_per_track,
        "BPB_NumHeads": volume.heads,
        "BPB_HiddSec": volume.start,
        "BPB_TotSec32": 0 if small else volume.sectors,
        "BS_DrvNum": 0x80,
        "BS_Reserved1": 0,
        "BS_BootSig": 0x29,
        "BS_VolID": plan.serial,
        "BS_VolLab": (plan.label or "NO NAME").encode("ascii").ljust(11),
        "BS_FilSysType": f"FAT{volume.fat_bits}".encode().ljust(8),
    }
    if wide:
        fields |= {"BPB_FATSz32": volume.fat_sectors, "BPB_ExtFlags": 0, "BPB_FSVer": 0, "BPB_RootClus": 2}
        fields |= {"BPB_FSInfo": 1, "BPB_BkBootSec": 6, "BPB_Reserved": bytes(12)}
    return fields


def planned_slots(plan: Plan, folder: Entry | None, children: Sequence[Entry], parent: int) -> Iterator[Planned]:
    """Yield the slots of a folder (None: the root) in order, each with the file or folder it is of.

    A folder begins with its two dot entries; ``parent`` is the cluster of the one above, 0 for the root. The root
    holds the label.
    """
    moment = stamp(plan.timestamp)
    if folder is not None:
        yield _slot(".", ".", FOLDER, folder.cluster, 0, moment), None
        yield _slot("..", "..", FOLDER, parent, 0, moment), None
    label_at = _label_at(plan, children) if folder is None and plan.label else None
    for number, child in enumerate(children):
        if number == label_at:
            yield _slot(plan.label, plan.label, LABEL, 0, 0, moment), None
        kind = FOLDER if child.is_folder else FILE
        yield _slot(child.name, child.short, kind, child.cluster, child.size, moment), child
    if label_at == len(children):
        yield _slot(plan.label, plan.label, LABEL, 0, 0, moment), None


def _label_at(plan: Plan, children: Sequence[Entry]) -> int:
    """Return before which child the label stands: 1 if it is to be second, after a file without a long name, else 0.

    The specification wants it before every slot of a long name, which old systems would take for the label.
    """
    first = children[0] if plan.label_entry == "second" and children else None
    return int(first is not None and not first.is_folder and first.name == first.short)


def stamp(moment: datetime) -> Stamp:
    """Return the words of a moment, as pyfatfs makes them."""
    words = DosDateTime(*moment.timetuple()[:6])
    return words.serialize_date(), words.serialize_time()


def fat_start(fat_bits: int) -> list[int]:
    """Return the first two FAT entries: the media byte below ones, and ones, which say the volume is clean."""
    mask = last_in_chain(fat_bits)
    return [mask & ~0xFF | 0xF8, mask]


def last_in_chain(fat_bits: int) -> int:
    """Return the FAT entry that ends a chain: all ones; FAT32 uses 28 bits."""
    return (1 << min(fat_bits, 28)) - 1


def _slot(name: str, short: str, attributes: int, cluster: int, size: int, moment: Stamp) -> Slot:
    return Slot(
        name=name,
        short=short,
        long_name="none" if name == short else "whole",
        attributes=attributes,
        cluster=cluster,
        size=size,
        written=moment,
        created=moment,
        accessed=moment[0],
    )
