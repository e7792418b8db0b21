"""Compares what lies before the FATs: the partition table, the boot sector and, on FAT32, what follows it."""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping
from io import BufferedReader

from pipeline.errors import Problem
from pipeline.image.compare import problem
from pipeline.image.expected import boot_fields
from pipeline.image.pyfat import boot_header, fs_info
from pipeline.model.plan import SECTOR, Plan

EMPTY = bytes(SECTOR - 2) + b"\x55\xaa"
"""A sector that holds nothing but its signature."""

BOOT_CODE = {12: 62, 16: 62, 32: 90}
"""Where the fields of the boot sector end."""


def compare_system(plan: Plan, image: str, file: BufferedReader, written: int) -> Iterator[Problem]:
    """Yield what is wrong with the size of the image and with the sectors before the FATs."""
    volume = plan.volume
    size, planned = file.seek(0, 2), volume.card_sectors * SECTOR
    if not size == written == planned:
        yield problem(image, f"the image has {size:,} bytes, {written:,} were written; expected {planned:,}")
        return
    if volume.start:
        file.seek(0)
        yield from _compare_partition_table(plan, image, file.read(SECTOR))
    file.seek(volume.start * SECTOR)
    boot = file.read(SECTOR)
    yield from _compare_fields(image, boot_header(boot, volume), boot_fields(plan))
    code = BOOT_CODE[volume.fat_bits]
    yield from _compare_bytes(image, "the boot sector", bytes(code) + boot[code:], EMPTY)
    if volume.fat_bits == 32:
        yield from _compare_fat32(plan, image, boot, file.read(8 * SECTOR))


def _compare_partition_table(plan: Plan, image: str, sector: bytes) -> Iterator[Problem]:
    """Yield what is wrong with the first of four entries, or with the rest, which is empty.

    Source: Ralf Brown's Interrupt List, "Format of hard disk master boot sector".
    """
    volume = plan.volume
    status, kind, start, sectors = struct.unpack_from("<B3xB3xII", sector, 446)
    names = "status", "type", "first sector", "sectors"
    found = dict(zip(names, (status, kind, start, sectors), strict=True))
    expected = dict(zip(names, (0, volume.partition_type, volume.start, volume.sectors), strict=True))
    for name in names:
        if found[name] != expected[name]:
            what = f"{name} of the partition is {found[name]:,}; expected {expected[name]:,}"
            yield problem(image, what)
    yield from _compare_bytes(image, "the partition table", sector[:446] + bytes(16) + sector[462:], EMPTY)


def _compare_fields(image: str, found: Mapping[str, object], expected: Mapping[str, object]) -> Iterator[Problem]:
    """Yield the fields of the boot sector that are not as planned."""
    for name, value in expected.items():
        if found[name] != value:
            yield problem(image, f"{name} of the boot sector is {_shown(found[name])}; expected {_shown(value)}")


def _compare_fat32(plan: Plan, image: str, boot: bytes, rest: bytes) -> Iterator[Problem]:
    """Yield what is wrong with the eight sectors after the boot sector: FSInfo, an empty one, and their backups."""
    used = plan.root_clusters + sum(entry.clusters for entry in plan.entries)
    follow = fs_info(plan.volume.clusters - used, used + 1) + EMPTY
    wanted = follow + bytes(3 * SECTOR) + boot + follow
    for number, kind in enumerate(("FSInfo", "", "", "", "", "a copy of the boot sector", "a copy of FSInfo", ""), 1):
        part = slice((number - 1) * SECTOR, number * SECTOR)
        name = f"sector {number} of the volume" + (f", {kind}," if kind else "")
        yield from _compare_bytes(image, name, rest[part], wanted[part])


def _compare_bytes(image: str, name: str, found: bytes, expected: bytes) -> Iterator[Problem]:
    """Yield the first byte of a sector that is not as it should be."""
    place = next((number for number in range(SECTOR) if found[number] != expected[number]), None)
    if place is not None:
        yield problem(image, f"{name} has {found[place]:#04x} at byte {place}; expected {expected[place]:#04x}")


def _shown(value: object) -> str:
    return f"{value:,}" if isinstance(value, int) else repr(value).removeprefix("b")
