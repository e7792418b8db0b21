"""Whole directories as bytes, from the plan.

Source: Microsoft FAT32 File System Specification 1.03 (2000), "FAT Directory Structure" and "Long Directory Entries".
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pipeline.fat.entries import dot_entries, file_entry, folder_entry, label_entry, long_name_slots
from pipeline.model.plan import Entry, Plan


@dataclass(frozen=True, slots=True)
class Tree:
    """The plan's entries by folder: the children of each path in directory order, and its first cluster ("": root)."""

    children: Mapping[str, Sequence[Entry]]
    clusters: Mapping[str, int]


def tree_of(plan: Plan) -> Tree:
    """Return the plan's entries by folder."""
    children: dict[str, list[Entry]] = {"": []}
    clusters = {"": 0}
    for entry in plan.entries:
        if entry.is_folder:
            children[entry.path] = []
            clusters[entry.path] = entry.cluster
        children[entry.parent].append(entry)
    return Tree(children, clusters)


def directory_bytes(plan: Plan, folder: str, tree: Tree) -> bytes:
    """Return the complete bytes of a folder by its path ("" for the root), without the zeros that fill its clusters.

    The root holds the volume label, every other folder begins with its two dot entries. The clusters above the
    root's are written as 0 on FAT32 too.
    """
    children = tree.children[folder]
    parts = [slots_of(plan, child) for child in children]
    if folder:
        parent = folder.rpartition("/")[0]
        parts.insert(0, dot_entries(tree.clusters[folder], tree.clusters[parent], plan.timestamp))
    elif plan.label:
        parts.insert(label_position(plan, children), label_entry(plan.label, plan.timestamp))
    return b"".join(parts)


def slots_of(plan: Plan, entry: Entry) -> bytes:
    """Return the slots of one file or folder: those of its long name, if it has one, and its own."""
    if entry.is_folder:
        own = folder_entry(entry.short, entry.cluster, plan.timestamp)
    else:
        own = file_entry(entry.short, entry.cluster, entry.size, plan.timestamp)
    return long_name_slots(entry.name, entry.short) + own


def label_position(plan: Plan, children: Sequence[Entry]) -> int:
    """Return before which of the root's children the volume label stands: 0 or 1.

    "second" puts it after the first file, if the root begins with a file without a long name. Otherwise it stands
    first, since it must precede every long-name slot: old systems take the first entry with the label bit for it.
    """
    begins_with_file = bool(children) and not children[0].is_folder and children[0].name == children[0].short
    return 1 if plan.label_entry == "second" and begins_with_file else 0
