"""Reads a volume with pyfatfs, below its path layer (which is quadratic)."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

from pyfatfs.PyFat import PyFat

from tests.strangers.items import Item, sha256_of


def read(image: Path, offset: int) -> list[Item]:
    """Return every file and folder, folders first within each folder since the library sorts them so."""
    volume = PyFat(offset=offset)
    volume.open(str(image), read_only=True)
    try:
        return list(_walk(volume, volume.root_dir, ""))
    finally:
        volume.close()


def _walk(volume: PyFat, folder: Any, above: str) -> Iterator[Item]:
    folders, files, _ = folder.get_entries()
    for entry in folders:
        yield Item(f"{above}{entry}", 0, "", _moment(entry))
        yield from _walk(volume, entry, f"{above}{entry}/")
    for entry in files:
        yield Item(f"{above}{entry}", entry.filesize, sha256_of(_content(volume, entry)), _moment(entry))


def _content(volume: PyFat, entry: Any) -> Iterator[bytes]:
    left = entry.filesize
    for cluster in volume.get_cluster_chain(entry.get_cluster()) if left else ():
        yield volume.read_cluster_contents(cluster)[:left]
        left -= min(left, volume.bytes_per_cluster)


def _moment(entry: Any) -> datetime:
    moment = entry.get_mtime()
    return datetime(*moment.timetuple()[:6])  # a plain datetime: the library's own class compares by class too
