"""Reads a volume with libfsfat.

Its times are not used: the month loop of ``libfsfat_date_time.c`` counts the current month, so all come a month late.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pyfsfat

from tests.strangers.items import Item, chunks_of, opened, sha256_of


def read(image: Path, offset: int) -> list[Item]:
    """Return every file and folder in directory order."""
    with opened(image, offset) as file:
        volume = pyfsfat.volume()
        volume.open_file_object(file)
        try:
            return list(_walk(volume.get_root_directory(), ""))
        finally:
            volume.close()


def _walk(folder: Any, above: str) -> Iterator[Item]:
    for entry in folder.sub_file_entries:
        path = above + entry.name
        if entry.file_attribute_flags & pyfsfat.file_attribute_flags.DIRECTORY:
            yield Item(path, 0, "")
            yield from _walk(entry, path + "/")
        else:
            content = chunks_of(entry.read_buffer) if entry.size else ()
            yield Item(path, entry.size, sha256_of(content))
