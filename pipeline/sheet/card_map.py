"""The picture of a card: where everything lies on it, to scale."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from pipeline.model.plan import Entry, Plan
from pipeline.model.units import UNITS
from pipeline.sheet.strip import NARROW, StripBlock, block, merged, painted

MOST_ROWS = 12
PER_ROW = 100
"""Clusters in a row, while the rows suffice: each is then wide enough to be seen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CardMap:
    """Strips of a card. ``whole``: all of it. ``rows``: the part that holds folders and files, row below row.

    ``row_clusters``: clusters in a full row. ``merged``: whether some block stands for several neighbours.
    ``first``: the file that lies first, None on a card without any. ``raised``: whether some block is drawn wider
    than it is. ``parts``: kind, words and size of each part of the whole card.
    """

    whole: tuple[StripBlock, ...]
    parts: tuple[tuple[str, str, str], ...]
    rows: tuple[tuple[StripBlock, ...], ...]
    row_clusters: int
    first: Entry | None
    merged: bool
    raised: bool


def numbered(plan: Plan) -> tuple[Entry, ...]:
    """Return the files of a card in the order they lie on it, empty ones last; the first has the number 1."""
    files = [entry for entry in plan.entries if not entry.is_folder]
    return tuple(sorted(files, key=lambda entry: (not entry.cluster, entry.cluster, entry.path)))


def card_map(plan: Plan, kind_of: Mapping[str, str]) -> CardMap:
    """Return the picture of a card; ``kind_of`` gives the kind of each file's block by its path."""
    first = min((entry for entry in plan.entries if entry.clusters and not entry.is_folder), key=_place, default=None)
    used = max([2 + plan.root_clusters, *(entry.cluster + entry.clusters for entry in plan.entries)]) - 2
    rows = min(max(-(-used // PER_ROW), 1), MOST_ROWS)
    per_row = max(-(-used // rows), 1)
    strips = tuple(
        painted(merged(sorted(row, key=lambda part: (part.x, part.kind != "folder"))))
        for row in _rows(plan, kind_of, per_row)
    )
    blocks = [part for row in strips for part in row]
    return CardMap(
        whole=_whole(plan, used),
        parts=_parts(plan, used),
        rows=strips,
        row_clusters=per_row,
        first=first,
        merged=any(part.count > 1 for part in blocks),
        raised=any(part.width <= NARROW or part.count > 1 for part in blocks),
    )


def _rows(plan: Plan, kind_of: Mapping[str, str], per_row: int) -> Iterator[list[StripBlock]]:
    """Yield each row's blocks, ascending; what runs over the end of a row goes on in the next."""
    row, blocks = 0, list[StripBlock]()
    for start, clusters, kind, label in _runs(plan, kind_of):
        for at in range(start // per_row, (start + clusters - 1) // per_row + 1):
            while row < at:
                yield blocks
                row, blocks = row + 1, []
            left, right = max(start, at * per_row), min(start + clusters, (at + 1) * per_row)
            blocks.append(block(left - at * per_row, right - at * per_row, per_row, kind, label))
    yield blocks


def _runs(plan: Plan, kind_of: Mapping[str, str]) -> Iterator[tuple[int, int, str, str]]:
    """Yield first cluster, clusters, kind and label of whatever takes clusters, ascending."""
    if plan.root_clusters:
        yield 0, plan.root_clusters, "folder", ""
    number = 0
    for entry in sorted((entry for entry in plan.entries if entry.clusters), key=_place):
        if entry.is_folder:
            yield entry.cluster - 2, entry.clusters, "folder", ""
        else:
            number += 1
            kind = kind_of[entry.path]
            yield entry.cluster - 2, entry.clusters, f"{kind} first" if number == 1 else kind, str(number)


def _place(entry: Entry) -> int:
    return entry.cluster


def _edges(plan: Plan, used: int) -> tuple[int, int]:
    """Return the sector where folders and files begin, and the one behind the last of them."""
    volume = plan.volume
    begin = volume.root_start if volume.root_entries else volume.data_start
    return begin, volume.data_start + used * volume.sectors_per_cluster


def _whole(plan: Plan, used: int) -> tuple[StripBlock, ...]:
    begin, end = _edges(plan, used)
    total = plan.volume.card_sectors
    return (
        block(0, begin, total, "system"),
        block(begin, end, total, "used"),
        block(end, total, total, "free"),
    )


def _parts(plan: Plan, used: int) -> tuple[tuple[str, str, str], ...]:
    """Return kind, words and size of each part of the whole card."""
    begin, end = _edges(plan, used)
    table = "partition table, " if plan.volume.start else ""
    return (
        ("system", f"{table}boot sector and FATs", about(begin * 512)),
        ("used", "folders and files", about((end - begin) * 512)),
        ("free", "free", about((plan.volume.card_sectors - end) * 512)),
    )


def about(size: int) -> str:
    """Return a size in the largest unit that fits, to one decimal: "479.9 MiB"."""
    unit = next((unit for unit in ("GiB", "MiB", "KiB") if size >= UNITS[unit]), "B")
    return f"{size / UNITS[unit]:.1f}".removesuffix(".0") + f" {unit}"
