"""The file allocation table, streamed.

Source: Microsoft FAT32 File System Specification 1.03 (2000), "FAT Data Structure".
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator

from pipeline.fat.boot import MEDIA
from pipeline.model.plan import SECTOR, Plan, Volume

CHUNK = 1 << 16
"""Bytes of a chunk at least, but for the last."""

PIECE = 1 << 14
"""Entries packed at a time, so that no list of them grows with the card."""

END_OF_CHAIN = {12: 0xFFF, 16: 0xFFFF, 32: 0x0FFFFFFF}


def cluster_runs(plan: Plan) -> list[tuple[int, int]]:
    """Return ``(first cluster, clusters)`` of the root directory on FAT32, every folder and every file, ascending."""
    runs = [(entry.cluster, entry.clusters) for entry in plan.entries if entry.clusters]
    if plan.root_clusters:
        runs.append((2, plan.root_clusters))
    return sorted(runs)


def table_chunks(volume: Volume, runs: Iterable[tuple[int, int]]) -> Iterator[bytes]:
    """Yield one FAT, ``fat_sectors * 512`` bytes in all, from (first cluster, clusters) runs in ascending order.

    Each run is one chain. Both copies are the same bytes. Raises ValueError if runs overlap, do not ascend, or leave
    the volume.
    """
    size = volume.fat_sectors * SECTOR
    done = 0
    buffer = bytearray()
    for piece in _pieces(volume, runs):
        buffer += piece
        if len(buffer) >= CHUNK:
            done += len(buffer)
            yield bytes(buffer)
            buffer.clear()
    if volume.fat_bits == 12:
        buffer = _pack_12(buffer)
    while done + len(buffer) < size:
        buffer += bytes(min(CHUNK - len(buffer), size - done - len(buffer)))
        done += len(buffer)
        yield bytes(buffer)
        buffer.clear()
    if buffer:
        yield bytes(buffer)


def _pieces(volume: Volume, runs: Iterable[tuple[int, int]]) -> Iterator[bytes]:
    """Yield the entries as packed words, 16 bits of them for FAT12, up to the last one used."""
    end = END_OF_CHAIN[volume.fat_bits]
    code = "I" if volume.fat_bits == 32 else "H"
    width = struct.calcsize(f"<{code}")
    yield struct.pack(f"<2{code}", end & ~0xFF | MEDIA, end)
    free = 2
    for first, count in runs:
        if first < free or count < 1 or first + count > volume.clusters + 2:
            raise ValueError(f"run of {count} clusters at {first}: expected from {free} to {volume.clusters + 1}")
        for start in range(free, first, PIECE):
            yield bytes(min(PIECE, first - start) * width)
        free = first + count
        for start in range(first + 1, free, PIECE):
            stop = min(start + PIECE, free)
            yield struct.pack(f"<{stop - start}{code}", *range(start, stop))
        yield struct.pack(f"<{code}", end)


def _pack_12(words: bytearray) -> bytearray:
    """Return 16-bit words as 12-bit entries: two in three bytes, the first in the low bits."""
    words = words + bytes(-len(words) % 4)
    packed = bytearray()
    for low, high in struct.iter_unpack("<HH", words):
        packed += (high << 12 | low).to_bytes(3, "little")
    return packed
