"""One side of a comparison as a value: what a card holds, told from its record, from a volume, or from a folder."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from pipeline.fat.boot import serial_text
from pipeline.fat.entries import ARCHIVE, DIRECTORY, encode_moment
from pipeline.model.reading import Reading

Facts = Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class File:
    """A file or folder. ``extents``, ``attributes`` and ``times`` (raw words, as in ``Item``): None where not known.

    ``sha256``: "" for a folder, and for a file that nobody needed to hash. ``origin``: what its record says it is made
    from, {} without one.
    """

    path: str
    short: str = ""
    is_folder: bool = False
    size: int = 0
    sha256: str = ""
    extents: tuple[tuple[int, int], ...] | None = None
    attributes: int | None = None
    times: tuple[int, int, int, int, int, int] | None = None
    placement: str = ""
    origin: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class CardSnapshot:
    """``volume``, ``card``, ``image``: facts by name. ``cores``, ``titles``: facts by id; None where not known.

    ``files``: by path, in directory order, a folder before what it holds.
    """

    files: Mapping[str, File]
    volume: Facts = field(default_factory=dict)
    card: Facts = field(default_factory=dict)
    cores: Mapping[str, Facts] | None = None
    titles: Mapping[str, Facts] | None = None
    image: Facts = field(default_factory=dict)


def side_of_record(record: Mapping[str, Any]) -> CardSnapshot:
    """Return what a record says; nothing else is read."""
    volume = record["volume"]
    date, time = encode_moment(datetime.fromisoformat(volume["timestamp"]))
    entries = [(entry, True) for entry in record["folders"]] + [(entry, False) for entry in record["files"]]
    files = {
        entry["path"]: File(
            path=entry["path"],
            short=entry["short-name"],
            is_folder=is_folder,
            size=entry.get("size", 0),
            sha256=entry.get("sha256", ""),
            extents=((entry["first-cluster"], entry["clusters"]),) if entry["clusters"] else (),
            attributes=DIRECTORY if is_folder else ARCHIVE,
            times=(date, time, 0, date, date, time),
            placement=entry.get("placement", ""),
            origin=entry.get("made-from", {}),
        )
        for entry, is_folder in entries
    }
    return CardSnapshot(
        files=files,
        volume={
            "card size": f"{record['image']['size']:,} bytes",
            "type": volume["type"].upper(),
            "partition table": "yes" if volume["partitioned"] else "no",
            "first sector": f"{volume['first-sector']:,}",
            "sectors": f"{volume['sectors']:,}",
            "cluster size": f"{volume['cluster-size']:,} bytes",
            "clusters": f"{volume['clusters']:,}",
            "label": volume["label"],
            "serial": volume["serial"],
        },
        card=_flat({"card": record["card"], "board": record["board"], "made by": record["made-by"]}) | _said(record),
        cores={entry["id"]: _flat({key: entry[key] for key in entry if key != "id"}) for entry in record["cores"]},
        titles={entry["id"]: _flat({key: entry[key] for key in entry if key != "id"}) for entry in record["titles"]},
        image={"plan": record["plan"]["sha256"], "image": record["image"]["sha256"]},
    )


def side_of_reading(reading: Reading, size: int, hashes: Mapping[str, str]) -> CardSnapshot:
    """Return what was read from the volume of a card of a size in bytes.

    ``hashes``: the SHA-256 of its files by path, as far as they are known.
    """
    volume = reading.volume
    files = {
        item.path: File(
            path=item.path,
            short=item.short,
            is_folder=item.is_folder,
            size=item.size,
            sha256=hashes.get(item.path, ""),
            extents=item.extents,
            attributes=item.attributes,
            times=item.times,
        )
        for item in reading.items
    }
    return CardSnapshot(
        files=files,
        volume={
            "card size": f"{size:,} bytes",
            "type": f"FAT{volume.fat_bits}",
            "partition table": "yes" if reading.partitions else "no",
            "first sector": f"{volume.start:,}",
            "sectors": f"{volume.sectors:,}",
            "cluster size": f"{volume.cluster_bytes:,} bytes",
            "clusters": f"{volume.clusters:,}",
            "label": reading.label,
            "serial": serial_text(reading.serial),
        },
    )


def side_of_files(files: Iterable[File]) -> CardSnapshot:
    """Return what a plain folder holds: paths, sizes and hashes, and nothing of a volume."""
    return CardSnapshot(files={file.path: file for file in sorted(files, key=lambda file: file.path)})


def _said(record: Mapping[str, Any]) -> dict[str, str]:
    """Return what the rules said of the card, and how it fares at each station."""
    statements = {
        f"{kind} {statement['rule']}, {statement['where']}": statement
        for kind in ("warnings", "silenced")
        for statement in record.get(kind, ())
    }
    facts = {
        name: ": ".join(statement[key] for key in ("what", "reason") if key in statement)
        for name, statement in statements.items()
    }
    for station in record.get("stations", ()):
        for statement in station["outlooks"]:
            name = f"{statement.get('title') or statement['core']} at station {station['id']}"
            facts[name] = "; ".join([statement["verdict"], *statement.get("steps", ()), *statement.get("reasons", ())])
    return facts


def _flat(facts: Mapping[str, Any], start: str = "") -> dict[str, str]:
    """Return nested facts as one level, with names such as "board settings keyboard"."""
    return dict(_pairs(facts, start))


def _pairs(facts: Mapping[str, Any], start: str) -> Iterator[tuple[str, str]]:
    for key, value in facts.items():
        if isinstance(value, Mapping):
            yield from _pairs(value, f"{start}{key} ")
        else:
            yield f"{start}{key}", ", ".join(value) if isinstance(value, list) else str(value)
