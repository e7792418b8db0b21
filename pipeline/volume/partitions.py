"""Where on a card the volume lies.

Source: Ralf Brown's Interrupt List, "Format of hard disk master boot sector" and the table of partition types.
"""

from __future__ import annotations

from pipeline.fat.boot import TABLE
from pipeline.model.plan import SECTOR
from pipeline.volume.boot import Boot, parse_boot
from pipeline.volume.foreign import Entry, no_volume, table_entries
from pipeline.volume.source import Findings, PaddedReader

FAT_TYPES = (0x01, 0x04, 0x06, 0x0B, 0x0C, 0x0E)
BACKUP = 6
"""The sector of FAT32's second boot sector, by convention and by the specification's advice."""


def find_volume(source: PaddedReader, findings: Findings) -> tuple[tuple[Entry, ...], int, Boot]:
    """Return the partition table, empty without one, where the first FAT volume lies (sector), and its boot sector.

    Raises NotFatError, which says what is there in its place.
    """
    first = source.read(0, SECTOR)
    boot = parse_boot(first)
    if boot is not None:
        return (), 0, boot
    entries = table_entries(first)
    for kind, start, sectors in entries:
        boot = parse_boot(source.read(start * SECTOR, SECTOR)) if start else None
        boot = boot or (_backup(source, start, findings) if kind in FAT_TYPES else None)
        if boot is not None:
            _check_entry(source, kind, start, sectors, boot, findings)
            return entries, start, boot
    boot = None if entries else _backup(source, 0, findings)
    if boot is not None:
        return (), 0, boot
    raise no_volume(source, entries)


def _backup(source: PaddedReader, start: int, findings: Findings) -> Boot | None:
    """Return what FAT32's second boot sector says where the first cannot be read."""
    boot = parse_boot(source.read((start + BACKUP) * SECTOR, SECTOR))
    if boot is None or boot.fat_bits != 32 or not boot.signed:
        return None
    findings.add("boot sector", "it cannot be read; its copy in sector 6 was used", offset=start * SECTOR)
    return boot


def _check_entry(source: PaddedReader, kind: int, start: int, sectors: int, boot: Boot, findings: Findings) -> None:
    """Find where the entry of the partition and the volume in it disagree."""
    at = TABLE
    if kind not in FAT_TYPES:
        findings.add("partition", f"type {kind:02X} is none of FAT, but a FAT volume lies in it", offset=at)
    elif (kind in (0x0B, 0x0C)) != (boot.fat_bits == 32):
        findings.add("partition", f"type {kind:02X} does not mean FAT{boot.fat_bits}", offset=at)
    if boot.sectors > sectors:
        what = f"the volume has {boot.sectors:,} sectors, its partition {sectors:,}"
        findings.add("partition", what, offset=at)
    if (start + sectors) * SECTOR > source.size:
        what = f"it ends at sector {start + sectors:,}, the card at {source.size // SECTOR:,}"
        findings.add("partition", what, offset=at)
    if boot.hidden != start and boot.sector_bytes == SECTOR:
        what = f"{boot.hidden:,} sectors before the volume by its boot sector, {start:,} by the partition table"
        findings.add("hidden sectors", what, offset=start * SECTOR + 28)
