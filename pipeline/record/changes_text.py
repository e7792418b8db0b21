"""How differences are shown: as lines for people, and as JSON."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import asdict
from itertools import groupby

from pipeline.record.compare import Change, Changes


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


def _line(change: Change) -> str:
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
