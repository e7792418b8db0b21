"""How differences are shown: as lines for people, and as JSON."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from itertools import groupby

from pipeline.record.bytes import Differing
from pipeline.record.compare import Changes, Difference
from pipeline.record.fields import Naming, region_at
from pipeline.record.regions import Region

HEX = 8
"""Of so many owners of differing bytes the first are shown in hexadecimal."""


def changes_text(changes: Changes) -> Iterator[str]:
    """Yield the differences as lines, coarse to fine: a head for each group, and what is behind each below it."""
    for group, members in groupby(changes, key=lambda change: change.group):
        yield group
        for change in members:
            yield f"  {_line(change)}"
            yield from (f"      {line}" for line in change.because)


def brief_text(changes: Changes) -> Iterator[str]:
    """Yield a line for each group: how many of each kind."""
    for group, members in groupby(changes, key=lambda change: change.group):
        counts = Counter(change.kind for change in members)
        yield f"{group}: {', '.join(f'{count:,} {kind}' for kind, count in sorted(counts.items()))}"


def changes_document(changes: Changes) -> list[dict[str, object]]:
    """Return the differences as JSON has them."""
    return [asdict(change) for change in changes]


@dataclass(frozen=True, slots=True)
class Names:
    """What names the bytes of one image."""

    regions: Sequence[Region]
    naming: Naming

    def at(self, offset: int) -> str:
        """Return what a byte is."""
        return self.naming.name(region_at(self.regions, offset), offset)


def bytes_text(differing: Sequence[Differing], old: Names, new: Names) -> Iterator[str]:
    """Yield the differing bytes of two images by owner: how many, and where the first is."""
    total = sum(spot.count for spot in differing)
    yield "bytes"
    yield f"  {total:,} differ{f', the first at 0x{differing[0].first:08X}' if differing else ''}"
    for number, spot in enumerate(differing):
        owner, field = (
            _both(*pair) for pair in ((str(spot.old), str(spot.new)), (old.at(spot.first), new.at(spot.first)))
        )
        yield f"  {owner}: {spot.count:,}, the first at 0x{spot.first:08X}, {field}"
        if number < HEX:
            yield f"      {spot.before.hex(' ').upper()}"
            yield f"      {spot.after.hex(' ').upper()}"


def _both(old: str, new: str) -> str:
    return new if old == new else f"{old}, now {new}"


def bytes_document(differing: Sequence[Differing]) -> list[dict[str, object]]:
    """Return the same as JSON has it."""
    return [
        {
            "old": str(spot.old), "new": str(spot.new), "count": spot.count, "first": spot.first,
            "before": spot.before.hex(), "after": spot.after.hex(),
        }
        for spot in differing
    ]  # fmt: skip


def _line(change: Difference) -> str:
    if change.kind == "moved":
        return f"moved    {change.old} -> {change.new}"
    name = f"{change.name} and {len(change.paths) - 1:,} more" if change.paths else change.name
    if change.kind == "added":
        return f"added    {name}{', ' if change.new else ''}{change.new}"
    if change.kind == "removed":
        return f"removed  {name}{', ' if change.old else ''}{change.old}"
    if change.old == change.new:
        return f"changed  {name}{', ' if change.new else ''}{change.new}"
    return f"changed  {name}: {change.old or 'none'} -> {change.new or 'none'}"
