"""The cost of reading is linear in clusters plus entries, whatever they say of each other: steps are counted."""

from __future__ import annotations

import struct
import sys
from collections.abc import Callable
from types import FrameType
from typing import Any

import pytest

from pipeline.volume.read import read_volume
from tests.unit.volume.test_any_input import hostile

ROOT, LONGEST = 2, 0xFFFFFFFF


def ascending(first: int, end: int) -> list[int]:
    """One chain through all clusters in their order: the entry of each."""
    return [*range(first + 1, end), 0x0FFFFFFF]


def in_pairs(first: int, end: int) -> list[int]:
    """One chain that goes two forward and one back, so that no two of its clusters make a run."""
    order = [cluster for at in range(first, end - 1, 2) for cluster in (at + 1, at)]
    following = dict(zip(order, [*order[1:], 0x0FFFFFFF], strict=True))
    return [following.get(cluster, 0x0FFFFFFF) for cluster in range(first, end)]


def backward(first: int, end: int) -> list[int]:
    """One chain from the last cluster to the first."""
    return [0x0FFFFFFF, *range(first, end - 1)]


def in_a_loop(first: int, end: int) -> list[int]:
    """A chain without an end."""
    return [*range(first + 1, end), first]


def volume(
    clusters: int, entries: int, attributes: int, chain: Callable[[int, int], list[int]], *, descending: bool
) -> tuple[bytes, int]:
    """FAT32 with entries in the root directory that all begin within one chain; its size in bytes too."""
    root = -(-entries // 16)
    first, end = ROOT + root, ROOT + root + clusters
    values = [0x0FFFFFF8, 0x0FFFFFFF, *range(ROOT + 1, first), 0x0FFFFFFF, *chain(first, end)]
    fat = -(-len(values) * 4 // 512)
    begins = [first + number * clusters // entries for number in range(entries)]
    slots = b"".join(
        struct.pack("<11sB8sHIHI", b"%08dBIN" % number, attributes, b"", at >> 16, 0, at & 0xFFFF, LONGEST)
        for number, at in enumerate(reversed(begins) if descending else begins)
    )
    sectors = 32 + 2 * fat + root + clusters
    table = struct.pack(f"<{len(values)}I", *values).ljust(fat * 512, b"\0")
    return hostile(sectors, fat, ROOT).ljust(32 * 512, b"\0") + table * 2 + slots, sectors * 512


def lines_to_read(data: bytes, size: int) -> int:
    """How many lines of the pipeline are run to read a volume."""
    count = 0

    def line(frame: FrameType, event: str, argument: Any) -> Any:
        nonlocal count
        count += event == "line"
        return line

    def call(frame: FrameType, event: str, argument: Any) -> Any:
        return line if "pipeline" in frame.f_code.co_filename else None

    before = sys.gettrace()
    sys.settrace(call)
    try:
        read_volume(lambda offset, length: data[offset : offset + length], size)
    finally:
        sys.settrace(before)
    return count


@pytest.mark.parametrize("descending", [False, True], ids=["first entry first", "last entry first"])
@pytest.mark.parametrize("attributes", [0x20, 0x10], ids=["files", "folders"])
@pytest.mark.parametrize("chain", [ascending, in_pairs, backward, in_a_loop])
def test_many_entries_within_one_chain_cost_so_many_steps_for_each_cluster_and_entry(
    chain: Callable[[int, int], list[int]], attributes: int, *, descending: bool
) -> None:
    small, large = (
        lines_to_read(*volume(clusters, entries, attributes, chain, descending=descending))
        for clusters, entries in ((1000, 50), (4000, 200))
    )

    assert large < 5 * small, "four times the clusters and entries"
    assert large < 200 * 4000 + 300 * 200
