"""A volume that was read, as lines for people and as a document for programs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

from pipeline.fat.boot import serial_text
from pipeline.model.plan import SECTOR
from pipeline.model.reading import Item, Reading
from pipeline.model.units import show_size

MOST_LINES = 40
"""Lines of the tree that are shown unless all are asked for."""

MOST_PIECES = 3
"""Extents of a file that are written out."""


def volume_lines(reading: Reading) -> Iterator[str]:
    """Yield what kind of volume it is and where it lies."""
    volume = reading.volume
    for kind, start, count in reading.partitions:
        what = f"FAT{volume.fat_bits}, read here" if start == volume.start else "not read here"
        yield f"partition type {kind:02X} at sector {start:,}, {show_size(count * SECTOR)}: {what}"
    if not reading.partitions:
        yield f"FAT{volume.fat_bits} without a partition table"
    sectors = "" if reading.sector_bytes == SECTOR else f", sectors of {reading.sector_bytes:,} bytes"
    fats = "" if reading.fats == 2 else f", {reading.fats} FAT{'s' if reading.fats > 1 else ''}"
    clusters = f"{volume.clusters:,} clusters of {show_size(volume.cluster_bytes)}"
    yield f"{clusters}, {reading.free_clusters:,} free{sectors}{fats}"
    label = reading.label or reading.boot_label
    yield f"{f'label {label}' if label else 'no label'}, serial {serial_text(reading.serial)}"


def tree_lines(reading: Reading, *, whole: bool) -> Iterator[str]:
    """Yield a line for each file and folder, in directory order; the first ``MOST_LINES`` unless ``whole``."""
    items = reading.items if whole else reading.items[:MOST_LINES]
    names = [_name(item) for item in items]
    width = min(max(map(len, names), default=0), 60)
    for item, name in zip(items, names, strict=True):
        size = "" if item.is_folder else f"{item.size:,}"
        yield f"{name:<{width}}  {size:>13}  {extents_text(item)}"
    if len(items) < len(reading.items):
        yield f"... and {len(reading.items) - len(items):,} more; --all shows them"


def _name(item: Item) -> str:
    depth = item.path.count("/")
    return "  " * depth + item.path.rpartition("/")[2] + ("/" if item.is_folder else "")


def extents_text(item: Item) -> str:
    """Return where a file lies: "cluster 12", "clusters 14-16", "4 pieces: 20-25, 40, 50-52, ..."."""
    if not item.extents:
        return "no cluster"
    shown = ", ".join(f"{first}" if count == 1 else f"{first}-{first + count - 1}" for first, count in
                      item.extents[:MOST_PIECES])  # fmt: skip
    if len(item.extents) > 1:
        return f"{len(item.extents):,} pieces: {shown}{', ...' if len(item.extents) > MOST_PIECES else ''}"
    return f"cluster {shown}" if item.extents[0][1] == 1 else f"clusters {shown}"


def fragmentation(reading: Reading) -> str:
    """Return how many files and folders there are, and how many lie in more than one piece."""
    folders = sum(item.is_folder for item in reading.items)
    files = len(reading.items) - folders
    broken = sum(len(item.extents) > 1 for item in reading.items)
    where = f"{broken:,} of them in more than one piece" if broken else "each in one piece"
    return f"{files:,} file{'' if files == 1 else 's'} in {folders:,} folder{'' if folders == 1 else 's'}, {where}"


def first_file(reading: Reading) -> str:
    """Return which file is the first of the root directory and which has the lowest cluster."""
    root = next((item for item in reading.items if "/" not in item.path and not item.is_folder), None)
    starts = [(item.extents[0][0], item.path) for item in reading.items if item.extents and not item.is_folder]
    if root is None:
        return "no file in the root directory"
    lowest = min(starts, default=(0, root.path))[1]
    if lowest == root.path:
        return f"{root.path}, which has the lowest file cluster too"
    return f"{root.path}; the lowest file cluster is that of {lowest}"


def finding_lines(reading: Reading) -> Iterator[str]:
    """Yield a line for each thing that is wrong with the volume."""
    for finding in reading.findings:
        yield ": ".join(part for part in (finding.kind, finding.path, finding.what) if part)


def reading_document(reading: Reading) -> dict[str, Any]:
    """Return everything that was read, with plain values."""
    document = asdict(reading)
    document["serial"] = serial_text(reading.serial)
    return {key.replace("_", "-"): _dashed(value) for key, value in document.items()}


def _dashed(value: Any) -> Any:
    if isinstance(value, dict):
        return {key.replace("_", "-"): _dashed(inner) for key, inner in value.items()}
    return [_dashed(inner) for inner in value] if isinstance(value, list | tuple) else value
