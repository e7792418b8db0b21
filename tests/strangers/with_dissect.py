"""Reads a volume with dissect.fat."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from dissect.fat.fat import FATFS

from tests.strangers.items import Item, chunks_of, opened, sha256_of


def read(image: Path, offset: int) -> list[Item]:
    """Return every file and folder in directory order."""
    with opened(image, offset) as file:
        return list(_walk(FATFS(file).root, ""))


def _walk(folder: Any, above: str) -> Iterator[Item]:
    for entry in folder.iterdir():
        # the library lists the label and the dot entries like any other
        if entry.is_volume_id() or entry.name in (".", ".."):
            continue
        path = above + entry.name
        if entry.is_directory():
            yield Item(path, 0, "", entry.mtime)
            yield from _walk(entry, path + "/")
        else:
            content = chunks_of(entry.open().read) if entry.size else ()
            yield Item(path, entry.size, sha256_of(content), entry.mtime)
