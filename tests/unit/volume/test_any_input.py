"""Whatever the bytes: an answer or NotFatError, in bounded time and memory."""

from __future__ import annotations

import random
import struct
import tracemalloc
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.model.reading import Reading
from pipeline.volume.read import NotFatError, read_volume
from tests.unit.image.cards import FILES, build, plan_of, volume_of
from tests.unit.volume.making import reading_of

MEBIBYTE = 1 << 20


@cache
def small(fat_bits: int) -> bytes:
    """A card of ours, FAT32 on as few sectors as it may have."""
    size = {12: 256 << 10, 16: 5 << 20, 32: 41 << 20}[fat_bits]
    plan = plan_of(FILES, volume_of(fat_bits, size=size))
    with TemporaryDirectory() as folder:
        build(plan, FILES, Path(folder) / "card.img")
        return (Path(folder) / "card.img").read_bytes()


def answer(read_from: bytes, patches: dict[int, bytes], length: int) -> Reading | None:
    """What is said of bytes with some of them changed, the whole cut to a length."""

    def read(offset: int, count: int) -> bytes:
        data = bytearray(read_from[offset : min(offset + count, length)])
        for at, raw in patches.items():
            for number, byte in enumerate(raw):
                if 0 <= at + number - offset < len(data):
                    data[at + number - offset] = byte
        return bytes(data)

    try:
        return read_volume(read, length)
    except NotFatError:
        return None


def interesting(data: bytes) -> list[int]:
    """Offsets where changes matter: table, boot sector, FATs, directories."""
    reading = reading_of(data)
    volume = reading.volume
    start, fat, root = volume.start * 512, volume.fat_start * 512, volume.root_start * 512
    folders = [reading.cluster_offset(item.extents[0][0]) for item in reading.items if item.is_folder]
    places = [446, start, start, fat, fat, fat + volume.fat_sectors * 512, root, root, *folders]
    return [at + step for at in places for step in range(0, 512, 3)]


@cache
def offsets(fat_bits: int) -> list[int]:
    return interesting(small(fat_bits))


BYTES = st.one_of(
    st.binary(min_size=1, max_size=4), st.sampled_from([b"\0" * 4, b"\xff" * 4, b"\2\0", b"\xe5", b"\x0f"])
)


def mutate(data: st.DataObject, fat_bits: int) -> None:
    places = st.sampled_from(offsets(fat_bits))
    patches = data.draw(st.dictionaries(places, BYTES, max_size=6))
    whole = len(small(fat_bits))
    length = data.draw(st.one_of(st.just(whole), st.integers(0, whole)))
    reading = answer(small(fat_bits), patches, length)
    if reading is not None:
        assert reading.findings or reading.items


@settings(max_examples=500)
@given(data=st.data())
def test_mutated_cards_are_answered(data: st.DataObject) -> None:
    mutate(data, 12)


@pytest.mark.parametrize("fat_bits", [16, 32])
@settings(max_examples=50)
@given(data=st.data())
def test_mutated_larger_cards_are_answered(fat_bits: int, data: st.DataObject) -> None:
    mutate(data, fat_bits)


@given(st.binary(max_size=2048))
def test_noise_is_answered(noise: bytes) -> None:
    answer(noise, {}, len(noise))


@pytest.mark.parametrize("count", [3000, pytest.param(1_000_000, marks=pytest.mark.long)])
def test_very_many_mutated_cards_are_answered(count: int) -> None:
    whole, places = small(12), offsets(12)
    for seed in range(count):
        chance = random.Random(seed)
        patches = {chance.choice(places): chance.randbytes(chance.randint(1, 4)) for _ in range(chance.randint(1, 6))}
        answer(whole, patches, len(whole))


def hostile(sectors: int, fat_sectors: int, root: int, cluster: int = 1) -> bytes:
    """A FAT32 boot sector that claims what it is told."""
    start = struct.pack(
        "<3s8sHBHBHHBHHHII", b"\xeb\x58\x90", b"", 512, cluster, 32, 2, 0, 0, 0xF8, 0, 63, 255, 0, sectors
    )
    rest = struct.pack("<IHHIHH12xBBBI11s8s", fat_sectors, 0, 0, root, 1, 6, 128, 0, 0x29, 1, b"", b"FAT32")
    return (start + rest).ljust(510, b"\0") + b"\x55\xaa"


def peak_of(boot: bytes, size: int, fill: bytes) -> tuple[Reading, int]:
    """Read a card of this size that is its boot sector and a pattern all over; return the peak of memory too."""

    def read(offset: int, count: int) -> bytes:
        if offset == 0:
            return boot[:count]
        shift = offset % len(fill)
        return (fill * (count // len(fill) + 2))[shift : shift + count]

    tracemalloc.start()
    try:
        return read_volume(read, size), tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_four_gibibytes_of_noise_stay_in_memory() -> None:
    noise = random.Random(6).randbytes(1 << 16)
    sectors = (4 << 30) // 512
    reading, peak = peak_of(hostile(sectors, 1024, 2, cluster=64), 4 << 30, noise)

    assert peak < 200 * MEBIBYTE
    assert reading.findings


def test_absurd_geometry_on_a_small_image_costs_nothing() -> None:
    reading, peak = peak_of(hostile(0xFFFFFFFF, 0x01000000, 2), 1 << 20, b"\xff\xff\xff\x0f")

    assert peak < 20 * MEBIBYTE
    assert "truncated" in {finding.kind for finding in reading.findings}


def test_folders_within_themselves_end() -> None:
    """Every cluster holds folders that lead back to clusters before."""
    slots = b"".join(
        struct.pack("<11sB8sHIHI", b"LOOP%d      " % number, 0x10, b"", 0, 0, 2 + number, 0) for number in range(16)
    )
    reading, peak = peak_of(hostile(70_000, 600, 2), 70_000 * 512, slots)

    assert peak < 100 * MEBIBYTE
    assert reading.items
