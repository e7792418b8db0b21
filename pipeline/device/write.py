"""Writing an image to a card: only what its plan uses, only blocks that differ, the first block last."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from pipeline.device.block_device import BlockDevice
from pipeline.device.ranges import BLOCK, Range, Read, pieces, same_card, used_ranges
from pipeline.model.plan import SECTOR, Plan

PIECE = 1 << 20
SYNC_EVERY = 16 << 20
"""Bytes after which we wait for the card, so that progress says what is on it and Ctrl-C is quick."""

Progress = Callable[[int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenBytes:
    """What writing a card came to: bytes the plan uses, and bytes that were written."""

    used: int
    written: int


def write_ranges(plan: Plan, image: Read, device: BlockDevice, progress: Progress = lambda _: None) -> WrittenBytes:
    """Make the ranges that the plan uses on ``device`` what they are in ``image``.

    The first block is wiped before anything else is changed and written last, so a card that was pulled out or a run
    that was stopped leaves nothing that looks valid. A card that holds a build of the same card is read, and only
    blocks that differ are written. ``progress`` is called with bytes that are on the card, not in a cache.
    Raises OSError.
    """
    ranges = used_ranges(plan, BLOCK)
    compare = same_card(plan, device.read(plan.volume.start * SECTOR, SECTOR))
    first = image(0, BLOCK)
    wiped, written, waiting = False, 0, 0
    for start, end in pieces(((BLOCK, ranges[0][1]), *ranges[1:]), PIECE):
        data = image(start, end - start)
        old = device.read(start, end - start) if compare else None
        for offset, part in _changes(data, old):
            if not wiped:
                device.write(0, bytes(BLOCK))
                device.sync()
                wiped = True
            device.write(start + offset, part)
            written += len(part)
        waiting += end - start
        if waiting >= SYNC_EVERY:
            device.sync()
            progress(waiting)
            waiting = 0
    device.sync()
    if wiped or device.read(0, BLOCK) != first:
        device.write(0, first)
        device.sync()
        written += BLOCK
    progress(waiting + BLOCK)
    return WrittenBytes(used=sum(end - start for start, end in ranges), written=written)


def differences(plan: Plan, image: Read, device: BlockDevice, progress: Progress = lambda _: None) -> Iterator[Range]:
    """Yield the blocks of the ranges a plan uses in which ``device`` is not what ``image`` is; raises OSError."""
    for start, end in pieces(used_ranges(plan, BLOCK), PIECE):
        data, old = image(start, end - start), device.read(start, end - start)
        for offset, part in _changes(data, old):
            yield start + offset, start + offset + len(part)
        progress(end - start)


def _changes(data: bytes, old: bytes | None) -> Iterator[tuple[int, bytes]]:
    """Yield offset and bytes of each run of blocks that differ; all as one run when there is nothing to compare."""
    if old is None:
        yield 0, data
        return
    if data == old:
        return
    run = -1
    for at in range(0, len(data) + BLOCK, BLOCK):
        differs = at < len(data) and data[at : at + BLOCK] != old[at : at + BLOCK]
        if differs and run < 0:
            run = at
        elif not differs and run >= 0:
            yield run, data[run:at]
            run = -1
