"""Whether some items fit on one card together, told exactly as the layout of a card counts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from pipeline.planner.item import SLOT, Entry, Limits, PackingItem, Room


def room_for(items: Sequence[PackingItem], limits: Limits) -> Room | None:
    """Return the first room, in the order preferred, that takes all items; None when they cannot share a card.

    Adding an item never makes room, so what does not fit does not fit with more either.
    """
    if any(clash(first, second) for number, first in enumerate(items) for second in items[:number]):
        return None
    return next((room for room in limits.rooms if fit(items, room, limits)), None)


def fit(items: Sequence[PackingItem], room: Room, limits: Limits) -> bool:
    """Whether items of which no two clash fit into a room."""
    if limits.core_slots and len(items) > limits.core_slots:
        return False
    if any(room.fat_bits not in item.types for item in items):
        return False
    slots = _slots(items, limits)
    for folder, count in slots.items():
        if count > (room.root_slots if room.root_slots and not folder else limits.folder_slots):
            return False
    return clusters(items, room, limits, slots) <= room.clusters


def clusters(items: Sequence[PackingItem], room: Room, limits: Limits, slots: Counter[str] | None = None) -> int:
    """Return the clusters the board's files and the items take in a room, folders included."""
    slots = _slots(items, limits) if slots is None else slots
    folders = sum(-(-count * SLOT // room.cluster_bytes) for folder, count in slots.items() if folder)
    root = 0 if room.root_slots else -(-max(1, slots[""]) * SLOT // room.cluster_bytes)
    return room.taken + folders + root + sum(item.clusters.get(room.fat_bits, 0) for item in items)


def clash(first: PackingItem, second: PackingItem) -> str:
    """Return why two items cannot share a card, however large it is; "" when they can."""
    return next(_clashes(first, second), "")


def _clashes(first: PackingItem, second: PackingItem) -> Iterator[str]:
    if not first.types & second.types:
        yield f"{first.id} can lie on {_types(first)} only, {second.id} on {_types(second)} only"
    if first.first and second.first:
        yield f'{first.id} asks for "{first.first}" as the first file on the card, {second.id} for "{second.first}"'
    choices = dict(first.settings)
    for name, choice in second.settings:
        if choices.get(name, choice) != choice:
            yield f'{first.id} needs the board setting {name} to be "{choices[name]}", {second.id} "{choice}"'
    for path in sorted(first.paths & second.paths)[:1]:
        yield f'{first.id} and {second.id} both have a file "{path}"'
    for path in sorted((first.paths & second.folders) | (first.folders & second.paths))[:1]:
        yield f'"{path}" is a file of one of {first.id} and {second.id}, and a folder of the other'


def _types(item: PackingItem) -> str:
    return " or ".join(f"FAT{bits}" for bits in sorted(item.types)) or "no volume"


def _slots(items: Sequence[PackingItem], limits: Limits) -> Counter[str]:
    """Return the slots of each shared folder; every folder but the root has two of its own."""
    entries: set[Entry] = set(limits.entries)
    for item in items:
        entries.update(item.entries)
    slots: Counter[str] = Counter()
    for folder, _, count in entries:
        if folder and folder not in slots:
            slots[folder] = 2
        slots[folder] += count
    return slots
