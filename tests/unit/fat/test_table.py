from __future__ import annotations

import struct
import subprocess
from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.fat.geometry import fit_volume
from pipeline.fat.table import CHUNK, cluster_runs, table_chunks
from pipeline.model.plan import SECTOR, Entry, Plan, Volume
from tests.strangers import with_mtools
from tests.strangers.tools import require

MIB = 2**20
VOLUMES = {
    12: fit_volume(2 * MIB, 12, partitioned=False),
    16: fit_volume(16 * MIB, 16, partitioned=True),
    32: fit_volume(42 * MIB, 32, partitioned=True),
}


@st.composite
def volumes_and_runs(draw: st.DrawFn) -> tuple[Volume, list[tuple[int, int]]]:
    """Draw a volume and runs in ascending order, with and without gaps, sometimes to the last cluster."""
    volume = VOLUMES[draw(st.sampled_from(sorted(VOLUMES)))]
    ends = draw(st.lists(st.integers(2, volume.clusters + 2), max_size=20, unique=True).map(sorted))
    runs = [(first, end - first) for first, end in pairwise(ends)]
    return volume, [run for run in runs if draw(st.integers(0, 3))]


def decoded(volume: Volume, table: bytes) -> list[int]:
    """Return every entry (Microsoft FAT specification 1.03, "FAT Data Structure"): FAT12's at byte N + N // 2."""
    count = volume.clusters + 2
    if volume.fat_bits == 12:
        words = [int.from_bytes(table[n + n // 2 : n + n // 2 + 2], "little") for n in range(count)]
        return [word >> 4 if n % 2 else word & 0xFFF for n, word in enumerate(words)]
    return list(struct.unpack_from(f"<{count}{'H' if volume.fat_bits == 16 else 'I'}", table))


def chains(volume: Volume, runs: Sequence[tuple[int, int]]) -> dict[int, int]:
    """Return what each used entry must hold, one cluster at a time."""
    end = (1 << min(28, volume.fat_bits)) - 1
    links: dict[int, int] = {}
    for first, count in runs:
        links |= {cluster: cluster + 1 for cluster in range(first, first + count - 1)} | {first + count - 1: end}
    return links


@given(volumes_and_runs())
def test_every_run_is_a_chain_and_everything_else_is_free(drawn: tuple[Volume, list[tuple[int, int]]]) -> None:
    """Microsoft FAT specification 1.03, "FAT Data Structure"."""
    volume, runs = drawn

    table = b"".join(table_chunks(volume, runs))

    assert len(table) == volume.fat_sectors * SECTOR
    entries = decoded(volume, table)
    end = (1 << min(28, volume.fat_bits)) - 1
    assert entries[:2] == [end & ~0xFF | 0xF8, end]
    assert {n: value for n, value in enumerate(entries[2:], start=2) if value} == chains(volume, runs)
    used = -(-len(entries) * volume.fat_bits // 8)
    assert not any(table[used:])


def test_fat12_packs_two_entries_in_three_bytes() -> None:
    """mkfs.fat 4.2 and mcopy on a 1.44 MB floppy with two files of two clusters: F0 FF FF 03 F0 FF 05 F0 FF.

    A floppy's media byte is F0, a card's F8.
    """
    assert next(table_chunks(VOLUMES[12], [(2, 2), (4, 2)]))[:12] == bytes.fromhex(
        "F8 FF FF 03 F0 FF 05 F0 FF 00 00 00"
    )


@pytest.mark.parametrize(
    ("fat_bits", "expected"), [(12, "F8 FF FF"), (16, "F8 FF FF FF"), (32, "F8 FF FF 0F FF FF FF 0F")]
)
def test_an_empty_table_begins_with_the_media_byte(fat_bits: int, expected: str) -> None:
    """Microsoft FAT specification 1.03: FAT[0] holds the media byte, all other bits 1; FAT[1] all ones, clean."""
    table = b"".join(table_chunks(VOLUMES[fat_bits], []))

    begin = bytes.fromhex(expected)
    assert table == begin.ljust(VOLUMES[fat_bits].fat_sectors * SECTOR, b"\0")


@pytest.mark.parametrize("fat_bits", [12, 16, 32])
def test_the_table_is_the_one_mtools_makes_of_the_same_files(fat_bits: int, tmp_path: Path) -> None:
    volume, image = VOLUMES[fat_bits], tmp_path / "volume.img"
    runs = [(2, 1)] if fat_bits == 32 else []
    with image.open("wb") as file:
        file.truncate(volume.sectors * SECTOR)
    format_ = [require("mkfs.fat"), "-a", f"-F{fat_bits}", f"-s{volume.sectors_per_cluster}", f"-R{volume.reserved}"]
    subprocess.run([*format_, "-r512", "-M0xF8", str(image)], check=True, capture_output=True)
    cluster = 2 + len(runs)
    for number, count in enumerate((1, 300, 2, 77)):
        content = tmp_path / f"F{number}"
        content.write_bytes(b"x" * (count * volume.cluster_bytes - 100))
        copy = [require("mcopy"), "-i", str(image), str(content), "::"]
        subprocess.run(copy, check=True, env=with_mtools.settings(tmp_path))
        runs.append((cluster, count))
        cluster += count

    table = b"".join(table_chunks(volume, runs))

    with image.open("rb") as file:
        file.seek(volume.reserved * SECTOR)
        theirs = file.read(len(table))
    # mkfs.fat ends the root's chain with F8 where the specification allows any of F8 to FF.
    root = [2] if fat_bits == 32 else []
    assert [value for n, value in enumerate(decoded(volume, theirs)) if n not in root] == [
        value for n, value in enumerate(decoded(volume, table)) if n not in root
    ]


def test_a_table_comes_in_chunks_of_bounded_size() -> None:
    volume = fit_volume(32_000_000_000, 32, partitioned=True)
    runs = [(2, 1), (3, 131_072), (131_075, 40_000), (900_000, 1)]

    sizes = [len(chunk) for chunk in table_chunks(volume, runs)]

    assert sum(sizes) == volume.fat_sectors * SECTOR
    assert max(sizes) <= 3 * CHUNK


@pytest.mark.parametrize(
    ("runs", "message"),
    [
        ([(2, 2), (3, 1)], "run of 1 clusters at 3: expected from 4 to 16273"),
        ([(1, 1)], "run of 1 clusters at 1: expected from 2 to 16273"),
        ([(2, 0)], "run of 0 clusters at 2: expected from 2 to 16273"),
        ([(16_273, 2)], "run of 2 clusters at 16273: expected from 2 to 16273"),
    ],
)
def test_runs_that_cannot_be_are_refused(runs: list[tuple[int, int]], message: str) -> None:
    volume = fit_volume(16 * MIB, 16, partitioned=True)

    with pytest.raises(ValueError, match=f"^{message}$"):
        list(table_chunks(volume, runs))


def test_the_runs_of_a_plan_are_ascending_and_leave_out_empty_files() -> None:
    plan = Plan(
        card="x",
        volume=VOLUMES[32],
        label="",
        label_entry="none",
        serial=0,
        timestamp=datetime(2026, 11, 25),
        root_clusters=2,
        entries=(
            Entry(path="A", short="A", cluster=9, clusters=3, size=1, sha256="0" * 64),
            Entry(path="B", short="B", cluster=0, clusters=0, sha256="0" * 64),
            Entry(path="C", short="C", cluster=4, clusters=1),
        ),
    )

    assert cluster_runs(plan) == [(2, 2), (4, 1), (9, 3)]
