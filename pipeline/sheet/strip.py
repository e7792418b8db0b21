"""Pictures as strips: blocks laid side by side to scale, in percent of the width, so that type keeps its size."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

NARROW = 0.4
"""Percent of the width that even the smallest block gets: a bit over a pixel on a telephone."""

PHONE = 3.4
"""Pixels in one percent of the narrowest strip that should be readable: a telephone of 360 pixels."""

GLYPH = 7.5
"""Pixels a character of a label takes at most, in the type the sheet sets labels in."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StripBlock:
    """A part of a strip. ``x`` and ``width``: percent of the strip. ``kind``: its class of colour. ``label``: or "".

    ``count``: how many things it stands for; more than one where neighbours are too narrow to be told apart.
    """

    x: float
    width: float
    kind: str
    label: str = ""
    count: int = 1


def block(start: float, end: float, total: float, kind: str, label: str = "") -> StripBlock:
    """Return the block from ``start`` to ``end`` of ``total``, at least NARROW wide, its label left out if too long."""
    x = start / total * 100
    width = max((end - start) / total * 100, NARROW)
    x = min(x, 100 - width)
    return StripBlock(x=round(x, 3), width=round(width, 3), kind=kind, label=label if fits(label, width) else "")


def fits(label: str, width: float) -> bool:
    """Whether a label can be read inside a block of so many percent, on the narrowest strip."""
    return len(label) * GLYPH + 4 <= width * PHONE


def merged(blocks: Iterable[StripBlock]) -> Iterator[StripBlock]:
    """Yield blocks in order, narrow neighbours of one kind as one, so that no strip has more than can be seen."""
    last: StripBlock | None = None
    for part in blocks:
        if (
            last
            and last.kind == part.kind
            and _narrow(last)
            and _narrow(part)
            and part.x - last.x - last.width < NARROW
        ):
            end = max(last.x + last.width, part.x + part.width)
            last = replace(last, width=round(end - last.x, 3), label="", count=last.count + part.count)
            continue
        if last:
            yield last
        last = part
    if last:
        yield last


def painted(blocks: Iterable[StripBlock]) -> tuple[StripBlock, ...]:
    """Return blocks in the order they are painted: what is drawn wider than it is lies over its neighbours."""
    return tuple(sorted(blocks, key=_narrow))


def _narrow(part: StripBlock) -> bool:
    return part.count > 1 or part.width <= NARROW
