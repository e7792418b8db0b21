"""The plan: the finished layout of a card as a value. The image writer obeys it and nothing else."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

SECTOR = 512
"""Bytes in a sector; the only size SD cards use towards a host (SD Physical Layer Simplified Specification)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Volume:
    """The geometry of a FAT volume and of the card around it; all counts in 512-byte sectors unless said otherwise.

    ``fat_bits``: 12, 16 or 32. ``card_sectors``: the whole image. ``start``: where the boot sector lies, counted
    from the card's first sector; 0 when there is no partition table (then ``partition_type`` is 0 too).
    ``sectors``: the volume (BPB_TotSec). ``reserved``: BPB_RsvdSecCnt. ``fat_sectors``: one of the two FATs.
    ``root_entries``: 32-byte slots of the fixed root directory, 0 on FAT32. ``clusters``: number of data clusters.
    """

    fat_bits: int
    card_sectors: int
    start: int
    sectors: int
    sectors_per_cluster: int
    reserved: int
    fat_sectors: int
    root_entries: int
    clusters: int
    heads: int
    sectors_per_track: int
    partition_type: int

    @property
    def cluster_bytes(self) -> int:
        """Bytes in one cluster."""
        return self.sectors_per_cluster * SECTOR

    @property
    def fat_start(self) -> int:
        """First sector of the first FAT, counted from the card's first sector."""
        return self.start + self.reserved

    @property
    def root_start(self) -> int:
        """First sector after both FATs: the fixed root directory, or on FAT32 the data area."""
        return self.fat_start + 2 * self.fat_sectors

    @property
    def data_start(self) -> int:
        """First sector of cluster 2, counted from the card's first sector."""
        return self.root_start + -(-self.root_entries * 32 // SECTOR)

    def cluster_offset(self, cluster: int) -> int:
        """Return the byte offset in the image at which a cluster (2 or higher) begins."""
        return (self.data_start + (cluster - 2) * self.sectors_per_cluster) * SECTOR


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One file or folder of the card, in the place the plan gives it.

    ``path``: parts separated by "/", no leading one. ``short``: the 8.3 name as shown ("MOTHPA~1.ROM").
    ``cluster``: first cluster, 0 for an empty file. ``clusters``: how many, in one ascending run.
    ``size``: bytes of a file, 0 for a folder. ``sha256``: of a file's content, "" for a folder.
    """

    path: str
    short: str
    cluster: int
    clusters: int
    size: int = 0
    sha256: str = ""

    @property
    def is_folder(self) -> bool:
        """Whether this is a folder."""
        return not self.sha256

    @property
    def parent(self) -> str:
        """Path of the folder that holds it, "" for the root."""
        return self.path.rpartition("/")[0]

    @property
    def name(self) -> str:
        """The last part of the path: the long name."""
        return self.path.rpartition("/")[2]


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """The finished layout of one card.

    ``label``: up to 11 upper-case characters, "" for none. ``label_entry``: "second" (after the first file),
    "first" or "none". ``serial``: 32-bit volume serial. ``timestamp``: wall clock without a zone, even seconds.
    ``root_clusters``: length of the root directory's run from cluster 2 on FAT32, else 0.
    ``entries``: every folder before what it holds; the children of a folder stand in directory order.
    """

    card: str
    volume: Volume
    label: str
    label_entry: str
    serial: int
    timestamp: datetime
    root_clusters: int
    entries: tuple[Entry, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """What was proven of a finished image: its SHA-256 and size in bytes, and who read it back how much."""

    image_sha256: str
    image_size: int
    files: int
    folders: int
    file_bytes: int
    reader: str
