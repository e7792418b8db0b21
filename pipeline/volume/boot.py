"""The boot sector of a FAT volume that anybody may have made.

Source: Microsoft FAT32 File System Specification 1.03 (2000), "Boot Sector and BPB" and "FAT Type Determination".
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from pipeline.fat.boot import COMMON, EXTENDED, ONLY_FAT32, SIGNATURE
from pipeline.model.plan import SECTOR
from pipeline.volume.source import Findings

SECTOR_SIZES = (512, 1024, 2048, 4096)
MOST_FATS = 4
"""Copies of the FAT that are read; one and two are in use, and the field would allow 255."""

MEDIA = (0xF0, *range(0xF8, 0x100))


@dataclass(frozen=True, slots=True, kw_only=True)
class Boot:
    """What a boot sector says; sectors are counted in 512 bytes whatever the volume's own are.

    ``root_cluster``, ``fs_info`` and ``backup`` (the volume's own sectors): 0 where there is none. ``active``: the FAT
    that is used where they do not mirror each other, else None. ``label``: None where the sector has no such field.
    """

    fat_bits: int
    sector_bytes: int
    cluster_sectors: int
    reserved: int
    fats: int
    fat_sectors: int
    root_entries: int
    root_sectors: int
    sectors: int
    clusters: int
    media: int
    heads: int
    tracks: int
    hidden: int
    root_cluster: int
    fs_info: int
    backup: int
    active: int | None
    version: int
    dirty: bool
    serial: int
    label: bytes | None
    signed: bool
    jumps: bool

    @property
    def data_sector(self) -> int:
        """First sector of cluster 2 within the volume."""
        return self.reserved + self.fats * self.fat_sectors + self.root_sectors


def parse_boot(sector: bytes) -> Boot | None:
    """Return what the first 512 bytes of a volume say, or None where they cannot be a FAT boot sector.

    What decides the type is the number of clusters; only a FAT size of 0 in the 16-bit field means FAT32 before that,
    since the two kinds differ in what follows, and systems go by it.
    """
    jump, _, size, cluster, reserved, fats, entries, small, media, fat16, tracks, heads, hidden, large = (
        COMMON.unpack_from(sector)
    )
    total = small or large
    if (
        size not in SECTOR_SIZES
        or not cluster
        or cluster & (cluster - 1)
        or not reserved
        or not 1 <= fats <= MOST_FATS
        or not total
    ):
        return None
    wide = fat16 == 0
    fat32, flags, version, root, info, backup = ONLY_FAT32.unpack_from(sector, COMMON.size)
    fat = fat32 if wide else fat16
    scale = size // SECTOR
    root_sectors = 0 if wide else -(-entries * 32 // size)
    clusters = (total - reserved - fats * fat - root_sectors) // cluster
    if not fat or clusters < 1 or (not wide and not entries):
        return None
    tail = COMMON.size + (ONLY_FAT32.size if wide else 0)
    _, state, mark, serial, label, _ = EXTENDED.unpack_from(sector, tail)
    return Boot(
        fat_bits=32 if wide else 12 if clusters < 4085 else 16,
        sector_bytes=size,
        cluster_sectors=cluster * scale,
        reserved=reserved * scale,
        fats=fats,
        fat_sectors=fat * scale,
        root_entries=0 if wide else entries,
        root_sectors=root_sectors * scale,
        sectors=total * scale,
        clusters=clusters,
        media=media,
        heads=heads,
        tracks=tracks,
        hidden=hidden,
        root_cluster=root if wide else 0,
        fs_info=info if wide else 0,
        backup=backup if wide else 0,
        active=flags & 15 if wide and flags & 0x80 else None,
        version=version if wide else 0,
        dirty=bool(state & 1),
        serial=serial if mark in (0x28, 0x29) else 0,
        label=label if mark == 0x29 else None,
        signed=sector[510:512] == SIGNATURE,
        jumps=jump[0] in (0xE9, 0xEB),
    )


def check_boot(boot: Boot, offset: int, findings: Findings) -> None:
    """Find what systems would stumble over in a boot sector that can be read."""
    for kind, at, what in [*_wrong_fields(boot), *_wrong_counts(boot)]:
        findings.add(kind, what, offset=offset + at)


def _wrong_fields(boot: Boot) -> Iterator[tuple[str, int, str]]:
    """Yield (kind, offset within the sector, what) of each field that is wrong by itself."""
    if not boot.signed:
        yield "signature", 510, "the boot sector does not end in 55 AA"
    if not boot.jumps:
        yield "boot sector", 0, "it does not begin with a jump (EB or E9)"
    if boot.media not in MEDIA:
        yield "media byte", 21, f"0x{boot.media:02X} is not F0 or F8 to FF"
    if boot.label is None:
        yield "boot sector", 66 if boot.fat_bits == 32 else 38, "the mark 0x29 of serial and label is missing"
    if boot.version:
        yield "boot sector", 42, f"the version is {boot.version}; expected 0"
    if boot.dirty:
        yield "dirty", 65 if boot.fat_bits == 32 else 37, "the boot sector marks the volume as not unmounted"


def _wrong_counts(boot: Boot) -> Iterator[tuple[str, int, str]]:
    """Yield the same for counts that do not go together."""
    if boot.fat_bits == 32 and boot.clusters < 65525:
        yield "cluster count", 36, f"FAT32 by its fields, but {boot.clusters:,} clusters, expected at least 65,525"
    if boot.fat_bits == 16 and boot.clusters > 65524:
        yield "cluster count", 22, f"FAT16 by its fields, but {boot.clusters:,} clusters, expected at most 65,524"
    if boot.fats > 2:
        yield "FATs", 16, f"{boot.fats} copies of the FAT; expected 2, and systems read 1 or 2"
    size = boot.cluster_sectors * SECTOR
    if size > 32 << 10:
        yield "cluster size", 13, f"{size:,} bytes a cluster; many systems read at most 32,768"
    capacity = boot.fat_sectors * SECTOR * 8 // boot.fat_bits - 2
    if capacity < boot.clusters:
        yield "FAT size", 22, f"a FAT has room for {capacity:,} clusters, the volume has {boot.clusters:,}"
