"""Where a published record says something else than the plan of its image, or than its own parts."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from pipeline.errors import Place, Problem
from pipeline.model.plan import SECTOR, Entry, Plan
from pipeline.model.text import shown
from pipeline.publish.folder import STRANGE
from pipeline.record.document import placed, volume_document

Record = Mapping[str, Any]


def contradictions(record: Record, plan: Plan) -> Iterator[Problem]:
    """Yield where a record of the right form is not what follows from the plan.

    Compared are card, volume, every folder and file with its place, size and SHA-256, what was proven, the owner of
    each file, and its ranges. Raises ArithmeticError, LookupError or ValueError for numbers that no plan has.
    """
    files = [entry for entry in plan.entries if not entry.is_folder]
    folders = [entry for entry in plan.entries if entry.is_folder]
    yield from _differences("card", {"id": record["card"]["id"]}, {"id": plan.card})
    image = {"file": "card.img", "size": plan.volume.card_sectors * SECTOR, "sha256": record["image"]["sha256"]}
    yield from _differences("image", record["image"], image)
    yield from _differences("plan", {"file": record["plan"]["file"]}, {"file": "plan.json"})
    counts = {"files": len(files), "folders": len(folders), "file-bytes": sum(entry.size for entry in files)}
    yield from _differences("proven", record["proven"], counts)
    volume = record["volume"]
    yield from _differences("volume", volume, volume_document(plan, volume["timestamp-from"]))
    yield from _entries("folders", record["folders"], [placed(entry) for entry in folders])
    stated = [{key: file[key] for key in (*_PLACED, "size", "sha256")} for file in record["files"]]
    yield from _entries("files", stated, [_file(entry) for entry in files])
    first = min((entry.cluster for entry in files if entry.size), default=0)
    owners = _owners(record)
    for number, file in enumerate(record["files"], 1):
        for what in _of_file(file, owners, first):
            yield Problem(Place("record.json", key=f"files.{number}"), f"{shown(file['path'])}: {what}", STRANGE)


_PLACED = ("path", "short-name", "first-cluster", "clusters")


def _file(entry: Entry) -> dict[str, object]:
    return {**placed(entry), "size": entry.size, "sha256": entry.sha256}


def _differences(key: str, stated: Mapping[str, Any], planned: Mapping[str, Any]) -> Iterator[Problem]:
    for name in sorted(planned):
        if stated.get(name) != planned[name]:
            what = f"found {shown(stated.get(name))}, expected {shown(planned[name])} as in the plan"
            yield Problem(Place("record.json", key=f"{key}.{name}"), what, STRANGE)


def _entries(key: str, stated: Sequence[Mapping[str, Any]], planned: Sequence[Mapping[str, Any]]) -> Iterator[Problem]:
    """Yield where two lists differ, entry by entry; the first difference in number only."""
    if len(stated) != len(planned):
        what = f"found {len(stated):,}, expected {len(planned):,} as in the plan"
        yield Problem(Place("record.json", key=key), what, STRANGE)
        return
    for number, (entry, expected) in enumerate(zip(stated, planned, strict=True), 1):
        if entry != expected:
            yield from _differences(f"{key}.{number}", entry, expected)


def _owners(record: Record) -> dict[str, set[str]]:
    """Return the ids that may own a file of each kind."""
    board, card = {record["board"]["id"]}, {record["card"]["id"]}
    cores = {core["id"] for core in record["cores"]}
    titles = {title["id"] for title in record["titles"]}
    return {
        "board-file": board,
        "bitstream": cores,
        "core-file": cores,
        "rom-file": titles,
        "title-file": titles,
        "card-file": card,
        "menu": board | card | cores,
        "config": board | card | cores,
    }


def _of_file(file: Mapping[str, Any], owners: Mapping[str, set[str]], first: int) -> Iterator[str]:
    """Yield what is wrong with the origin, the placement and the ranges of one file."""
    origin = file["made-from"]
    for part in (origin, *(content for content in origin["contents"] if "kind" in content)):
        if part["owner"] not in owners[part["kind"]]:
            yield f"its owner is {shown(part['owner'])}, which is not a part of the card that gives a {part['kind']}"
    if file["placement"] == "first" and file["size"] and file["first-cluster"] != first:
        yield f"is said to be first, and begins at cluster {file['first-cluster']}; the first file is at {first}"
    at = 0
    for part in origin.get("ranges", ()):
        if part["start"] != at or part["end"] <= at:
            yield f"found a range from {part['start']} to {part['end']}, expected one that begins at {at}"
            return
        at = part["end"]
    if "ranges" in origin and at != file["size"]:
        yield f"its ranges end at {at}, expected {file['size']}"
