"""pyfatfs's core, asked only what is safe to ask of an image that may be damaged.

It is a stranger to the writer. Left to itself it follows any chain of clusters, round a loop for ever too, and trusts
every size in the boot sector; so the boot sector is compared before it is opened, and folders are read where the plan
has them. Its answers come back as plain values.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from io import BufferedReader
from typing import Any

from pyfatfs.BootSectorHeader import FAT12BootSectorHeader, FAT32BootSectorHeader
from pyfatfs.FSInfo import FSInfo
from pyfatfs.PyFat import PyFat

from pipeline.model.plan import SECTOR, Volume

Stamp = tuple[int, int]
"""Date and time as the 16-bit words of a directory entry."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """One directory entry with the slots of its long name, as it was read.

    ``name``: the long name, or the 8.3 name where there is none; for a label its 11 characters without the padding.
    ``long_name``: "none", "whole", or "damaged" when its slots do not follow the rules. ``accessed``: a date word.
    """

    name: str
    short: str
    long_name: str
    attributes: int
    cluster: int
    size: int
    written: Stamp
    created: Stamp
    accessed: int
    reserved: tuple[int, int] = (0, 0)

    @property
    def is_label(self) -> bool:
        """Whether this is a volume label (attribute bit 3)."""
        return bool(self.attributes & 0x08)


class CardVolume(PyFat):  # type: ignore[misc]  # the library has no types
    """A volume opened for reading, its root directory not yet read."""

    fat: list[int]

    def __init__(self, file: BufferedReader, start: int) -> None:
        super().__init__(offset=start * SECTOR)
        self.set_fp(file)

    def parse_root_dir(self) -> None:
        """Read nothing: the library would follow the root's chain of clusters, which nobody has looked at yet."""

    def take_fat(self) -> list[int]:
        """Return the entries of the FAT and let go of them: they are most of a volume, and nothing below asks again."""
        fat, self.fat = self.fat, []
        return fat

    def root_slots(self) -> Iterator[Slot]:
        """Yield the slots of the fixed root directory of FAT12 and FAT16."""
        address = self.root_dir_sector * SECTOR
        yield from self._slots([address], self.bpb_header["BPB_RootEntCnt"] * 32)

    def folder_slots(self, cluster: int, clusters: int) -> Iterator[Slot]:
        """Yield the slots of a directory that lies in one run of clusters."""
        addresses = (self.get_data_cluster_address(number) for number in range(cluster, cluster + clusters))
        yield from self._slots(addresses, self.bytes_per_cluster)

    def _slots(self, addresses: Iterator[int] | list[int], size: int) -> Iterator[Slot]:
        long_name = None
        for address in addresses:
            entries, long_name = self.parse_dir_entries_in_address(address, address + size, long_name)
            yield from map(_slot, entries)


def boot_header(sector: bytes, volume: Volume) -> Mapping[str, Any]:
    """Return the fields of a boot sector by their names in Microsoft's specification."""
    header = FAT32BootSectorHeader() if volume.fat_bits == 32 else FAT12BootSectorHeader()
    header.parse_header(sector)
    return dict(header)


def fs_info(free_clusters: int, last_cluster: int) -> bytes:
    """Return what the library would write as FSInfo sector."""
    return bytes(FSInfo(free_clusters, last_cluster))


def _slot(entry: Any) -> Slot:
    raw = bytes(entry.name.name).decode("cp437")
    name = raw.rstrip() if entry.is_volume_id() else str(entry)
    return Slot(
        name=name,
        short=raw.rstrip() if entry.is_volume_id() else entry.get_short_name(),
        long_name="none" if entry.lfn_entry is None else _long_name(entry.lfn_entry, name),
        attributes=entry.attr,
        cluster=entry.get_cluster(),
        size=entry.filesize,
        written=(entry.wrtdate, entry.wrttime),
        created=(entry.crtdate, entry.crttime),
        accessed=entry.lstaccessdate,
        reserved=(entry.ntres, entry.crttimetenth),
    )


def _long_name(slots: Any, name: str) -> str:
    """Return whether the slots of a long name are "whole": in order, ended by 0000, padded with FFFF, else "damaged".

    Source: Microsoft FAT32 File System Specification 1.03 (2000), "Long Directory Entries".
    """
    parts = list(slots.get_entries())
    units = b"".join(part[f"LDIR_Name{number}"] for part in parts for number in (1, 2, 3))
    text = name.encode("utf-16-le")
    padded = (text + b"\0\0").ljust(len(units), b"\xff")[: len(units)]
    orders = [*range(1, len(parts)), len(parts) | 0x40]
    whole = units == padded and [part["LDIR_Ord"] for part in parts] == orders
    return "whole" if whole and not any(part["LDIR_Type"] for part in parts) else "damaged"
