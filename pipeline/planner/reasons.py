"""Why things cannot share a card, and why fewer cards are not enough."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from pipeline.planner.item import Limits, PackingItem
from pipeline.planner.load import clash, clusters, room_for


@dataclass(frozen=True, slots=True, kw_only=True)
class Apart:
    """Two items, by id, that cannot share a card, and why."""

    one: str
    other: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Bound:
    """At least so many cards are needed, and why."""

    cards: int
    why: str


def pairs_apart(items: Sequence[PackingItem], limits: Limits) -> tuple[Apart, ...]:
    """Return every two items that cannot share a card, in the order of the items."""
    return tuple(
        Apart(one=first.id, other=second.id, why=clash(first, second) or _too_much(first, second, limits))
        for number, first in enumerate(items)
        for second in items[number + 1 :]
        if room_for((first, second), limits) is None
    )


def bound(items: Sequence[PackingItem], limits: Limits, apart: Sequence[Apart]) -> Bound:
    """Return the best bound that can be told in plain words; none is above the fewest cards possible."""
    bounds = [Bound(cards=min(1, len(items)), why="at least one card is needed")]
    if limits.core_slots:
        why = f"{len(items)} cores are wanted, and the board holds {limits.core_slots}"
        bounds.append(Bound(cards=-(-len(items) // limits.core_slots), why=why))
    total = sum(shares(items, limits))
    percent = -(-total * 100 // 1)
    why = f"together they fill {percent:,} % of a card, each counted on the volume type where it is smallest"
    bounds.append(Bound(cards=-(-total // 1), why=why))
    alone = clique(items, apart)
    if len(alone) > 1:
        bounds.append(Bound(cards=len(alone), why=f"no two of these can share a card: {', '.join(alone)}"))
    return max(bounds, key=lambda found: found.cards)


def shares(items: Sequence[PackingItem], limits: Limits) -> tuple[Fraction, ...]:
    """Return the part of a card each item takes at least, over the FAT types it can lie on.

    Folders that are shared count nothing, and the board's files are taken off the card, so the shares of what fits on
    a card together are never more than 1.
    """
    free = {room.fat_bits: room.clusters - clusters((), room, limits) for room in limits.rooms}
    return tuple(
        min(
            (Fraction(item.clusters[bits], free[bits]) for bits in sorted(item.types) if free.get(bits, 0) > 0),
            default=Fraction(0),
        )
        for item in items
    )


def clique(items: Sequence[PackingItem], apart: Sequence[Apart]) -> tuple[str, ...]:
    """Return ids of which no two can share a card: the largest set found from each item in turn, greedily."""
    enemies: dict[str, set[str]] = {item.id: set() for item in items}
    for pair in apart:
        enemies[pair.one].add(pair.other)
        enemies[pair.other].add(pair.one)
    best: tuple[str, ...] = ()
    order = sorted(enemies, key=lambda id_: (-len(enemies[id_]), id_))
    for start in order:
        found, left = [start], enemies[start]
        for id_ in order:
            if id_ in left:
                found.append(id_)
                left = left & enemies[id_]
        best = max(best, tuple(sorted(found)), key=len)
    return best


def _too_much(first: PackingItem, second: PackingItem, limits: Limits) -> str:
    """Return what is too much when two items that do not clash share a card."""
    if limits.core_slots == 1:
        return f"the board holds 1 core, and {first.id} and {second.id} are 2"
    rooms = [room for room in limits.rooms if room.fat_bits in first.types & second.types]
    if not rooms:
        return f"{first.id} and {second.id} have no volume type in common that a card of this size can have"
    room = max(rooms, key=lambda room: room.clusters * room.cluster_bytes)
    taken = clusters((first, second), room, limits)
    if taken <= room.clusters:
        return f"{first.id} and {second.id} need more directory slots than a folder of FAT{room.fat_bits} has"
    return (
        f"{first.id} and {second.id} take {taken:,} clusters with the board's own files; "
        f"FAT{room.fat_bits} on this card has {room.clusters:,}"
    )
