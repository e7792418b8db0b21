"""Cards as the layout tests lay them out."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import pytest

from pipeline.card.layout import lay_out
from pipeline.errors import ManifestError, Place, Problem
from pipeline.fat.geometry import fit_volume
from pipeline.model.content import CardFile, CardFolder, Content, Origin
from pipeline.model.plan import Plan, Volume

MIB = 2**20
WHERE = Place("inputs/cards/club-night.toml")
MOMENT = datetime(2026, 11, 25, 20, 0, 1)
ORIGIN = Origin(kind="card-file", owner="club-night")

FAT12 = fit_volume(2 * MIB, 12, partitioned=True)
FAT16 = fit_volume(64 * MIB, 16, partitioned=True)
FAT32 = fit_volume(64 * MIB, 32, partitioned=True)


def asked(number: int) -> Place:
    return Place("inputs/cards/club-night.toml", key=f"files.{number}")


def file(path: str, size: int = 1, placement: str = "anywhere", number: int = 1) -> CardFile:
    content = Content(sha256=f"{number:064x}", size=size)
    return CardFile(path=path, content=content, placement=placement, origin=ORIGIN, place=asked(number))


def plan_of(
    *files: CardFile,
    volume: Volume = FAT16,
    label: str = "CLUBNIGHT",
    label_entry: str = "second",
    timestamp: datetime = MOMENT,
    folders: Sequence[str] = (),
) -> Plan:
    return lay_out(
        "club-night",
        files,
        volume,
        label=label,
        label_entry=label_entry,
        serial=0x1234ABCD,
        timestamp=timestamp,
        where=WHERE,
        folders=[CardFolder(path=path, place=WHERE) for path in folders],
    )


def problems_of(*files: CardFile, volume: Volume = FAT16, label: str = "", **other: object) -> tuple[Problem, ...]:
    with pytest.raises(ManifestError) as caught:
        plan_of(*files, volume=volume, label=label, **other)  # type: ignore[arg-type]  # each test names its own
    return caught.value.problems
