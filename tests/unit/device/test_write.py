"""Bringing a card to what an image is, on a medium in memory that can fail at every call."""

from __future__ import annotations

import errno
import random
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.device.ranges import BLOCK, Read, pieces, used_ranges
from pipeline.device.write import differences, write_ranges
from pipeline.model.plan import SECTOR, Plan
from tests.unit.image.cards import FILES, build, sample_plan


class Memory:
    """A disk in memory. ``fail``: the write or sync, counted from 0, at which it is pulled out."""

    def __init__(self, data: bytes, fail: int = -1) -> None:
        self.data, self.fail = bytearray(data), fail
        self.calls, self.written = list[tuple[str, int, int]](), 0

    def read(self, offset: int, length: int) -> bytes:
        return bytes(self.data[offset : offset + length])

    def write(self, offset: int, data: bytes) -> None:
        self._count("write", offset, len(data))
        self.data[offset : offset + len(data)] = data
        self.written += len(data)

    def sync(self) -> None:
        self._count("sync", 0, 0)

    def _count(self, call: str, offset: int, length: int) -> None:
        if len(self.calls) == self.fail:
            raise OSError(errno.EIO, "pulled out")
        self.calls.append((call, offset, length))


def image_of(plan: Plan, folder: Path) -> bytes:
    build(plan, FILES, folder / "card.img")
    return (folder / "card.img").read_bytes()


@pytest.fixture(params=[12, 16, 32], scope="module")
def card(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Plan, bytes]:
    plan = sample_plan(request.param)
    return plan, image_of(plan, tmp_path_factory.mktemp("image"))


def reader(data: bytes) -> Read:
    return lambda offset, length: data[offset : offset + length]


def noise(size: int) -> bytes:
    return random.Random(3).randbytes(size)


def used(plan: Plan, data: bytes) -> list[bytes]:
    return [data[start:end] for start, end in used_ranges(plan, BLOCK)]


def test_what_the_plan_uses_becomes_the_image_and_the_rest_stays(card: tuple[Plan, bytes]) -> None:
    plan, image = card
    before = noise(len(image) + 5 * BLOCK)
    medium, steps = Memory(before), list[int]()
    counts = write_ranges(plan, reader(image), medium, steps.append)
    assert used(plan, bytes(medium.data)) == used(plan, image)
    free = bytearray(medium.data)
    for start, end in used_ranges(plan, BLOCK):
        free[start:end] = before[start:end]
    assert bytes(free) == before
    assert counts.used == sum(steps) == sum(end - start for start, end in used_ranges(plan, BLOCK))
    assert list(differences(plan, reader(image), medium)) == []


def test_all_that_is_not_zero_in_the_image_is_used(card: tuple[Plan, bytes]) -> None:
    plan, image = card
    rest = bytearray(image)
    for start, end in used_ranges(plan):
        rest[start:end] = bytes(end - start)
    assert not any(rest)


def test_a_card_that_holds_it_already_is_not_written(card: tuple[Plan, bytes]) -> None:
    plan, image = card
    medium = Memory(image)
    assert write_ranges(plan, reader(image), medium).written == 0
    assert [call for call in medium.calls if call[0] == "write"] == []


def test_only_blocks_that_differ_are_written_and_the_first(card: tuple[Plan, bytes]) -> None:
    plan, image = card
    cluster = next(entry.cluster for entry in plan.entries if entry.size > 1)
    at = plan.volume.cluster_offset(cluster)
    medium = Memory(image[:at] + bytes([image[at] ^ 1]) + image[at + 1 :])
    assert write_ranges(plan, reader(image), medium).written == 2 * BLOCK
    assert bytes(medium.data) == image
    writes = [(offset, length) for call, offset, length in medium.calls if call == "write"]
    assert writes == [(0, BLOCK), (at // BLOCK * BLOCK, BLOCK), (0, BLOCK)]


def test_pulled_out_at_any_call_it_looks_like_no_card_or_is_whole_and_the_next_run_finishes_it(tmp_path: Path) -> None:
    plan = sample_plan(16)
    image = image_of(plan, tmp_path)
    older = bytearray(image)
    for entry in plan.entries:
        older[plan.volume.cluster_offset(entry.cluster) + 1 if entry.clusters else 3] ^= 0x55
    for before in (bytes(older), noise(len(image))):
        clean = Memory(before)
        write_ranges(plan, reader(image), clean)
        for fail in range(len(clean.calls)):
            medium = Memory(before, fail)
            with pytest.raises(OSError, match="pulled out"):
                write_ranges(plan, reader(image), medium)
            start = bytes(medium.data[:BLOCK])
            assert start == bytes(BLOCK) or medium.data == before or used(plan, bytes(medium.data)) == used(plan, image)
            medium.fail = -1
            write_ranges(plan, reader(image), medium)
            assert used(plan, bytes(medium.data)) == used(plan, image)


def test_everything_else_is_on_the_card_before_the_first_block_is(card: tuple[Plan, bytes]) -> None:
    plan, image = card
    medium = Memory(noise(len(image)))
    write_ranges(plan, reader(image), medium)
    assert medium.calls[:2] == [("write", 0, BLOCK), ("sync", 0, 0)]
    assert medium.calls[-3:] == [("sync", 0, 0), ("write", 0, BLOCK), ("sync", 0, 0)]


@given(st.integers(0, 10**9), st.integers(1, 255))
def test_reading_back_names_the_block_of_any_wrong_byte(at: int, flip: int) -> None:
    plan, image = SMALL
    places = [offset for start, end in used_ranges(plan) for offset in (start, end)]
    start, end = used_ranges(plan)[at % len(used_ranges(plan))]
    offset = start + at % (end - start)
    medium = Memory(image)
    medium.data[offset] ^= flip
    assert offset <= max(places)
    assert list(differences(plan, reader(image), medium)) == [
        (offset // BLOCK * BLOCK, offset // BLOCK * BLOCK + BLOCK)
    ]


def _small() -> tuple[Plan, bytes]:
    from tempfile import TemporaryDirectory

    with TemporaryDirectory() as folder:
        plan = sample_plan(12)
        return plan, image_of(plan, Path(folder))


SMALL = _small()


@given(st.lists(st.tuples(st.integers(0, 50), st.integers(1, 30)), min_size=1, max_size=8), st.integers(1, 7))
def test_pieces_cover_the_ranges_exactly(spans: list[tuple[int, int]], most: int) -> None:
    ranges, at = list[tuple[int, int]](), 0
    for gap, length in spans:
        ranges.append((at + gap, at + gap + length))
        at += gap + length
    cut = list(pieces(tuple(ranges), most))
    assert all(0 < end - start <= most for start, end in cut)
    assert [one for start, end in cut for one in range(start, end)] == [one for s, e in ranges for one in range(s, e)]


def test_ranges_are_whole_sectors_in_the_image() -> None:
    plan, image = SMALL
    for block in (SECTOR, BLOCK):
        ranges = used_ranges(plan, block)
        assert all(start % block == 0 for start, _ in ranges)
        assert ranges[-1][1] <= len(image)
        assert all(one[1] < two[0] for one, two in pairwise(ranges))
