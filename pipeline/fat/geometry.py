"""The geometry of a FAT volume: exact FAT size, safe cluster counts, an aligned data area.

Source, unless a function names another: Microsoft FAT32 File System Specification 1.03 (2000).
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import count

from pipeline.fat.capacity import boundary_unit, disk_geometry, partition_type, usual_cluster
from pipeline.model.plan import SECTOR, Volume
from pipeline.model.units import show_size

ROOT_ENTRIES = 512
"""Slots of the fixed root directory of FAT12 and FAT16; much firmware takes no other number."""

RESERVED_FAT32 = 32
"""Reserved sectors of FAT32 at least: boot sector, FSInfo, their backup from sector 6, and room."""

MOST_SECTORS = 2**32 - 1
"""Of a card: the sector fields of partition table and boot sector have 32 bits."""

LARGEST_CLUSTER = 64
"""Sectors; 32 KiB is Microsoft's limit, and systems of its time fail above it (KB Q127851)."""

FEWEST_SECTORS = 128
"""Of a volume: the public FatFs takes smaller ones for no FAT volume (ff.c, R0.14 and later, check_fs)."""

FEWEST_CLUSTERS = {12: 33, 16: 4101, 32: 65541}
"""FAT12: the public FatFs refuses 32 and fewer. FAT16 and FAT32: the border plus Microsoft's margin of 16."""


class GeometryError(ValueError):
    """No volume of that FAT type fits the card.

    ``largest`` and ``smallest`` are card sizes in bytes that would, None where they are not the reason. ``hint``
    says what to ask for.
    """

    def __init__(self, message: str, *, largest: int | None = None, smallest: int | None = None) -> None:
        super().__init__(message)
        self.largest = largest
        self.smallest = smallest

    @property
    def hint(self) -> str:
        """What to ask for instead."""
        if self.largest:
            return f"ask for a card of at most {show_size(self.largest)}, or for another FAT type"
        if self.smallest:
            return f"ask for a card of at least {show_size(self.smallest)}, or for another FAT type"
        return "accept at least one FAT type"


def fat_sectors(fat_bits: int, sectors: int, sectors_per_cluster: int, reserved: int, root_entries: int) -> int:
    """Return the fewest sectors one of two FATs needs, by exact computation.

    Microsoft's formula forgets the two reserved entries: it is one too small for some FAT16 sizes (8,769 sectors of
    2 to a cluster) and too large for many FAT32 ones.
    """
    space = sectors - reserved - root_sectors(root_entries)
    if fat_bits == 12:
        return next(size for size in count(1) if 3 * ((space - 2 * size) // sectors_per_cluster + 2) <= 1024 * size)
    in_sector = SECTOR * 8 // fat_bits
    return (space + sectors_per_cluster) // (in_sector * sectors_per_cluster + 2) + 1


def root_sectors(root_entries: int) -> int:
    """Return the sectors of a fixed root directory of 32-byte slots."""
    return -(-root_entries * 32 // SECTOR)


def cluster_count(
    sectors: int, sectors_per_cluster: int, reserved: int, one_fat_sectors: int, root_entries: int
) -> int:
    """Return the number of data clusters, which alone decides the FAT type: below 4,085 FAT12, below 65,525 FAT16."""
    return (sectors - reserved - 2 * one_fat_sectors - root_sectors(root_entries)) // sectors_per_cluster


def most_clusters(fat_bits: int, sectors_per_cluster: int) -> int:
    """Return the highest safe cluster count.

    FAT12 and FAT16: the border less Microsoft's margin of 16, less the clusters that readers count too many because
    they forget the root directory (common practice: two public readers do). FAT32: 0x0FFFFFF7 must be no cluster.
    """
    if fat_bits == 32:
        return 268_435_445
    return (4068 if fat_bits == 12 else 65508) - -(-root_sectors(ROOT_ENTRIES) // sectors_per_cluster)


def fit_volume(card_bytes: int, fat_bits: int, *, partitioned: bool) -> Volume:
    """Return the largest safe volume on a card, with its data area aligned.

    The card is ``card_bytes`` rounded down to sectors. The cluster size is the usual one for the capacity, halved or
    doubled until the cluster count is safe. A card of 128 MiB as FAT12 or 2 GiB as FAT16 is a little more than the
    type can hold: its volume ends before the card does. Larger ones raise GeometryError, as do cards too small.
    """
    card_sectors = card_bytes // SECTOR
    _check_size(card_bytes, fat_bits, partitioned=partitioned)
    cluster = usual_cluster(card_sectors)
    volume = _place(card_sectors, fat_bits, cluster, partitioned=partitioned)
    while volume.clusters < FEWEST_CLUSTERS[fat_bits]:
        cluster //= 2
        volume = _place(card_sectors, fat_bits, cluster, partitioned=partitioned)
    while volume.clusters == most_clusters(fat_bits, cluster) and cluster < LARGEST_CLUSTER:
        cluster *= 2
        volume = _place(card_sectors, fat_bits, cluster, partitioned=partitioned)
    return volume


def fat_type_for(card_bytes: int, accepted: Sequence[int], *, partitioned: bool = True) -> int:
    """Return the FAT type to take for a card among those its readers accept: 12, 16 or 32.

    FAT16 wherever it fits, up to 2 GiB, since every reader of such cards has it; FAT32 above, as SD cards are sold
    (SD Physical Layer Simplified Specification 3.3.2); FAT12 only where neither is possible.
    Raises the GeometryError that is nearest to fitting when none fits.
    """
    errors = []
    for fat_bits in (bits for bits in (16, 32, 12) if bits in accepted):
        try:
            fit_volume(card_bytes, fat_bits, partitioned=partitioned)
        except GeometryError as error:
            errors.append(error)
        else:
            return fat_bits
    if not errors:
        raise GeometryError("no FAT type is accepted; expected at least one of FAT12, FAT16 and FAT32")
    raise min(errors, key=lambda error: abs((error.largest or error.smallest or 0) - card_bytes))


def largest_card(fat_bits: int) -> int:
    """Return the bytes of the largest card a FAT type is written to.

    FAT12 and FAT16: 128 MiB and 2 GiB, what 4,096 and 65,536 clusters of 32 KiB would be.
    """
    return (MOST_SECTORS if fat_bits == 32 else 2**fat_bits * LARGEST_CLUSTER) * SECTOR


def smallest_card(fat_bits: int, *, partitioned: bool) -> int:
    """Return the bytes of the smallest card that takes a safe volume of a FAT type, with clusters of one sector.

    A safe FAT12 volume has at least ``FEWEST_SECTORS``; those of the other types always do.
    """
    clusters = FEWEST_CLUSTERS[fat_bits]
    system = 2 * _fat_for(fat_bits, clusters) + root_sectors(_root_entries(fat_bits))
    if fat_bits != 32 and not partitioned:
        return max(1 + system + clusters, FEWEST_SECTORS) * SECTOR
    unit = boundary_unit(fat_bits, 0)
    for data in count(unit, unit):
        if before := _before_data(fat_bits, data, system, unit, partitioned):
            return max(data + clusters, before[0] + FEWEST_SECTORS) * SECTOR
    raise AssertionError("some data area begins late enough")


def _place(card_sectors: int, fat_bits: int, cluster: int, *, partitioned: bool) -> Volume:
    """Return the volume with clusters of so many sectors, its count safe above but perhaps too low.

    The data area starts at the first boundary before which everything fits, counted from the card's first sector.
    FAT12 and FAT16 keep one reserved sector, since firmware is hard-wired to it, and move the partition's start;
    FAT32 pads the reserved area. Without a partition table FAT12 and FAT16 cannot be aligned at all: 1 + 2 FATs + 32
    is odd. There being read everywhere goes before being written fast.
    """
    root_entries = _root_entries(fat_bits)
    most = most_clusters(fat_bits, cluster)
    unit = boundary_unit(fat_bits, card_sectors)
    if fat_bits != 32 and not partitioned:
        fat = fat_sectors(fat_bits, card_sectors, cluster, 1, root_entries)
        clusters = cluster_count(card_sectors, cluster, 1, fat, root_entries)
        if clusters > most:
            clusters, fat = most, _fat_for(fat_bits, most)
        start, reserved, data = 0, 1, 1 + 2 * fat + root_sectors(root_entries)
    else:
        for data in count(unit, unit):
            clusters = min(most, max(0, card_sectors - data) // cluster)
            fat = _fat_for(fat_bits, clusters)
            system = 2 * fat + root_sectors(root_entries)
            if before := _before_data(fat_bits, data, system, unit, partitioned):
                start, reserved = before
                break
    sectors = card_sectors - start
    if clusters == most:
        sectors = data - start + clusters * cluster
    heads, sectors_per_track = disk_geometry(card_sectors)
    return Volume(
        fat_bits=fat_bits,
        card_sectors=card_sectors,
        start=start,
        sectors=sectors,
        sectors_per_cluster=cluster,
        reserved=reserved,
        fat_sectors=fat,
        root_entries=root_entries,
        clusters=clusters,
        heads=heads,
        sectors_per_track=sectors_per_track,
        partition_type=partition_type(fat_bits, start, sectors) if partitioned else 0,
    )


def _before_data(fat_bits: int, data: int, system: int, unit: int, partitioned: bool) -> tuple[int, int] | None:
    """Return ``(start, reserved)`` of a volume whose data area starts at ``data``; None if too little room is left.

    ``system``: sectors of both FATs and the fixed root directory. A partition starts at the boundary unit or later.
    """
    if fat_bits == 32:
        start = unit if partitioned else 0
        reserved = data - start - system
        return (start, reserved) if reserved >= RESERVED_FAT32 else None
    start = data - system - 1
    return (start, 1) if start >= unit else None


def _fat_for(fat_bits: int, clusters: int) -> int:
    """Return the fewest sectors of a FAT with entries for so many clusters and the two reserved ones."""
    return -(-(clusters + 2) * fat_bits // (SECTOR * 8))


def _root_entries(fat_bits: int) -> int:
    return 0 if fat_bits == 32 else ROOT_ENTRIES


def _check_size(card_bytes: int, fat_bits: int, *, partitioned: bool) -> None:
    """Raise GeometryError when a card is too large or too small for a FAT type."""
    asked = f"{card_bytes:,} were asked for"
    largest = largest_card(fat_bits)
    if card_bytes // SECTOR > largest // SECTOR:
        volume = _place(largest // SECTOR, fat_bits, LARGEST_CLUSTER, partitioned=partitioned).sectors * SECTOR
        text = f"FAT{fat_bits} holds at most {volume:,} bytes at 32 KiB clusters, on a card of {largest:,}"
        raise GeometryError(f"{text}; {asked}", largest=largest)
    smallest = smallest_card(fat_bits, partitioned=partitioned)
    if card_bytes // SECTOR < smallest // SECTOR:
        raise GeometryError(f"FAT{fat_bits} needs a card of at least {smallest:,} bytes; {asked}", smallest=smallest)
