"""Small cards for tests: files in memory, laid out and written by the code under test."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path

from pipeline.card.layout import lay_out
from pipeline.errors import Place
from pipeline.fat.geometry import fit_volume
from pipeline.image.write import Opener, write_image
from pipeline.image.written import Written
from pipeline.model.content import CardFile, CardFolder, Content, Origin
from pipeline.model.plan import Entry, Plan, Volume

WHERE = Place(file="inputs/cards/desk.toml")
MOMENT = datetime(2026, 11, 25, 20, 13, 58)

FILES = {
    "FIRST.BIN": b"first" * 1000,
    "EMPTY.TXT": b"",
    "A long name with Grüße.txt": b"x" * 70_000,
    "GOODS/MOTH/MOTH.ROM": bytes(range(256)) * 64,
    "GOODS/MOTH/日本語のなまえ.bin": b"\0" * 513,
    "GOODS/SNAIL.ROM": b"y" * 512,
}
"""A tree with each kind of thing: a file to be first, an empty one, long and foreign names, folders in folders."""

SIZES = {12: 1 << 20, 16: 8 << 20, 32: 48 << 20}
"""Bytes of a small card of each FAT type."""


def volume_of(fat_bits: int, *, partitioned: bool = True, size: int = 0) -> Volume:
    return fit_volume(size or SIZES[fat_bits], fat_bits, partitioned=partitioned)


def plan_of(
    files: Mapping[str, bytes],
    volume: Volume,
    *,
    first: str = "",
    folders: Sequence[str] = (),
    label: str = "DESK",
    label_entry: str = "second",
    moment: datetime = MOMENT,
) -> Plan:
    wanted = [
        CardFile(
            path=path,
            content=Content(sha256=hashlib.sha256(data).hexdigest(), size=len(data)),
            placement="first" if path == first else "anywhere",
            origin=Origin(kind="card-file", owner="desk"),
            place=WHERE,
        )
        for path, data in files.items()
    ]
    return lay_out(
        "desk", wanted, volume,
        label=label, label_entry=label_entry, serial=0x1234ABCD, timestamp=moment, where=WHERE,
        folders=[CardFolder(path=path, place=WHERE) for path in folders],
    )  # fmt: skip


def opener_of(files: Mapping[str, bytes]) -> Opener:
    def opener(entry: Entry) -> io.BytesIO:
        return io.BytesIO(files[entry.path])

    return opener


def sample_plan(fat_bits: int = 16, *, partitioned: bool = True) -> Plan:
    """Return the plan of ``FILES`` on a small card."""
    return plan_of(FILES, volume_of(fat_bits, partitioned=partitioned), first="FIRST.BIN", folders=["EMPTY FOLDER"])


def build(plan: Plan, files: Mapping[str, bytes], target: Path) -> Written:
    return write_image(plan, opener_of(files), target)
