"""The picture of a ROM file: which chip fills which range, to scale."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from pipeline.model.ranges import Range, RomMap
from pipeline.sheet.strip import GLYPH, PHONE, StripBlock, block, merged, painted

LANES = 8
"""Sources of one range drawn above one another; where there are more, they share one block."""

LANE_HEIGHT = 20
"""Pixels of a lane."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lane:
    """A block of a ROM file's picture, ``y`` and ``height`` in percent of the strip's."""

    block: StripBlock
    y: float
    height: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RomPicture:
    """Lanes, and addresses below them as (percent, text). ``height`` in pixels."""

    lanes: tuple[Lane, ...]
    ticks: tuple[tuple[float, str], ...]
    height: int


def rom_picture(rom: RomMap) -> RomPicture:
    """Return the picture of a ROM file; ranges made of several sources have a lane for each."""
    most = max((min(len(range_.sources), LANES) for range_ in rom.ranges), default=1)
    lanes = [lane for range_ in rom.ranges if _laned(range_) for lane in _lanes(range_, rom.size)]
    single = merged(
        block(*_span(range_), rom.size, _kind(range_), _label(range_)) for range_ in rom.ranges if not _laned(range_)
    )
    lanes += [Lane(block=range_, y=0, height=100) for range_ in painted(single)]
    return RomPicture(lanes=tuple(lanes), ticks=tuple(_ticks(rom)), height=max(most * LANE_HEIGHT, 2 * LANE_HEIGHT))


def address(value: int) -> str:
    """Return an address as ROM maps show it: four hexadecimal digits or more."""
    return f"0x{value:04X}"


def _laned(range_: Range) -> bool:
    return 1 < len(range_.sources) <= LANES


def _lanes(range_: Range, size: int) -> Iterator[Lane]:
    height = round(100 / len(range_.sources), 3)
    for number, source in enumerate(range_.sources):
        part = block(*_span(range_), size, source.kind, source.name if source.kind == "chip" else "")
        yield Lane(block=part, y=round(number * height, 3), height=height)


def _span(range_: Range) -> tuple[int, int]:
    return range_.start, range_.end


def _kind(range_: Range) -> str:
    found = {source.kind for source in range_.sources}
    return found.pop() if len(found) == 1 else "several"


def _label(range_: Range) -> str:
    if len(range_.sources) > 1:
        return f"{len(range_.sources)} sources"
    source = range_.sources[0]
    return source.name if source.kind in ("chip", "patch") else source.kind


def _ticks(rom: RomMap) -> Iterator[tuple[float, str]]:
    """Yield the address of each range's start that has room, the file's last address keeping its own at the end."""
    last = address(rom.size - 1)
    free, end = 0.0, 100 - (len(last) * GLYPH + 4) / PHONE
    for range_ in rom.ranges:
        x = range_.start / rom.size * 100
        text = address(range_.start)
        width = (len(text) * GLYPH + 6) / PHONE
        if free <= x and x + width <= end:
            yield round(x, 3), text
            free = x + width
    yield 100.0, last
