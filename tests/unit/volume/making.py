"""Volumes that others made: mkfs.fat and mtools, FatFs through fatfs-ng, pyfatfs; and ours."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Mapping
from pathlib import Path

import fatfs
from pyfatfs.PyFat import PyFat

from pipeline.model.plan import SECTOR
from pipeline.model.reading import Reading
from pipeline.volume.read import read_volume
from tests.strangers import with_mtools
from tests.strangers.tools import require
from tests.unit.image.cards import build, plan_of, volume_of

FILES: Mapping[str, bytes] = {
    "HELLO.TXT": b"hello\n",
    "A long name of it.dat": b"x" * 19_999,
    "SUB/DEEP/Another long name.bin": bytes(range(256)) * 100,
    "SUB/TAIL": b"y" * 512,
    "EMPTY": b"",
}
MEGABYTES = {12: 2, 16: 16, 32: 40}


def reading_of(data: bytes) -> Reading:
    return read_volume(lambda offset, length: data[offset : offset + length], len(data))


def reading_at(image: Path) -> Reading:
    descriptor = os.open(image, os.O_RDONLY)
    try:
        return read_volume(lambda offset, length: os.pread(descriptor, length, offset), image.stat().st_size)
    finally:
        os.close(descriptor)


def by_mkfs(image: Path, fat_bits: int, *options: str) -> bytes:
    """An empty volume of mkfs.fat, labelled HELLO."""
    with image.open("wb") as file:
        file.truncate(MEGABYTES[fat_bits] << 20)
    command = [require("mkfs.fat"), f"-F{fat_bits}", "-nHELLO", "-s1", *options, str(image)]
    subprocess.run(command, check=True, capture_output=True)
    return image.read_bytes()


def by_pyfatfs(image: Path, fat_bits: int) -> bytes:
    """An empty volume of pyfatfs, labelled HELLO; mtools refuses the zero heads and sectors per track it leaves."""
    with image.open("wb") as file:
        file.truncate(MEGABYTES[fat_bits] << 20)
    volume = PyFat()
    volume.mkfs(str(image), fat_bits, MEGABYTES[fat_bits] << 20, label="HELLO")
    volume.close()
    with image.open("r+b") as file:
        file.seek(24)
        file.write(b"\x3f\0\xff\0")
    return image.read_bytes()


def filled(image: Path, tmp_path: Path, files: Mapping[str, bytes] = FILES) -> bytes:
    """The image with files added by mcopy, in this order."""
    for path, content in files.items():
        tree = tmp_path / "tree" / path
        tree.parent.mkdir(parents=True, exist_ok=True)
        tree.write_bytes(content)
    names = list(dict.fromkeys(str(tmp_path / "tree" / path.partition("/")[0]) for path in files))
    command = [require("mcopy"), "-s", "-i", str(image), *names, "::/"]
    subprocess.run(command, check=True, env=with_mtools.settings(tmp_path))
    return image.read_bytes()


def by_fatfs(image: Path, files: Mapping[str, bytes]) -> bytes:
    """A volume FatFs made, files and all; it is built for short names here, and makes one FAT."""
    disk = fatfs.RamDisk(bytearray(8 << 20), SECTOR)
    partition = fatfs.Partition(disk)
    partition.mkfs()
    partition.mount()
    for path, content in files.items():
        handle = partition.open(f"/{path}", "wb")
        handle.write(content)
        handle.close()
    partition.unmount()
    image.write_bytes(bytes(disk.storage))
    return image.read_bytes()


def by_fatfs_with_label(image: Path, fat_bits: int) -> bytes:
    """A volume FatFs made (FAT12, one FAT), labelled HELLO by mlabel."""
    assert fat_bits == 12
    by_fatfs(image, {})
    command = [require("mlabel"), "-i", str(image), "::HELLO"]
    subprocess.run(command, check=True, env=with_mtools.settings(image.parent))
    return image.read_bytes()


def by_us(image: Path, fat_bits: int) -> bytes:
    """An unpartitioned card of ours."""
    plan = plan_of(FILES, volume_of(fat_bits, partitioned=False, size=MEGABYTES[fat_bits] << 20), label="HELLO")
    build(plan, FILES, image)
    return image.read_bytes()
