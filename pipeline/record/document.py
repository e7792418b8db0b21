"""The record of a finished card, as the JSON document that is written beside the image."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from pipeline.errors import Problem
from pipeline.fat.boot import serial_text
from pipeline.model.canonical import dump
from pipeline.model.content import CardFile, Ingredient, Origin
from pipeline.model.finished import FinishedCard
from pipeline.model.manifest import Board, Core, Rights, Title
from pipeline.model.matrix import matrix_document
from pipeline.model.plan import Entry, Plan
from pipeline.model.ranges import Range

VERSION = 1
"""Of the record's form; schemas/record.schema.json describes it."""


def record_text(finished: FinishedCard) -> Iterator[str]:
    """Yield the record's text: what is on the card, where, made from what, and what was proven."""
    by_path = {file.path: file for file in finished.files}
    ranges = {rom.card_path: rom.ranges for rom in finished.maps}
    keep = finished.card.keep or finished.card.without_kept
    card, board, plan, proof = finished.card, finished.board, finished.plan, finished.proof
    return dump(
        {
            "cardkiln-record": VERSION,
            "card": {
                "id": card.id,
                "name": card.name,
                "version": card.version,
                "rights": _rights(card.rights),
                **({"keep": list(keep)} if keep else {}),
                **({"without-kept": list(card.without_kept)} if card.without_kept else {}),
            },
            "made-by": {"program": finished.made_by, "read-back": proof.reader},
            "image": {"file": "card.img", "size": proof.image_size, "sha256": proof.image_sha256},
            "plan": {"file": "plan.json", "sha256": finished.plan_sha256},
            "proven": {"files": proof.files, "folders": proof.folders, "file-bytes": proof.file_bytes},
            "volume": volume_document(plan, finished.timestamp_from),
            "board": {
                "id": board.id,
                "name": board.name,
                "settings": dict(finished.settings),
                "rights": _rights(board.rights),
                **_facts(board),
            },
            "cores": [_core(core) for core in finished.cores],
            "titles": [_title(title) for title in finished.titles],
            "stations": matrix_document(finished.stations, finished.outlooks),
            "warnings": [_warning(warning) for warning in finished.warnings],
            "silenced": [
                {**_warning(found.problem), "reason": found.reason, "by": found.by} for found in finished.silenced
            ],
            "folders": [placed(entry) for entry in plan.entries if entry.is_folder],
            "files": (
                _file(entry, by_path[entry.path], ranges.get(entry.path, ()))
                for entry in plan.entries
                if not entry.is_folder
            ),
        }
    )


def record_bytes(finished: FinishedCard) -> bytes:
    """Return the record of a finished card."""
    record = bytearray()  # a list of the parts of a large card would take several times as much
    for part in record_text(finished):
        record += part.encode()
    return bytes(record)


def sums_of(finished: FinishedCard, record_sha256: str) -> bytes:
    """Return the checksum list of a finished card."""
    sums = {"card.img": finished.proof.image_sha256, "plan.json": finished.plan_sha256, "record.json": record_sha256}
    return sums_text(sums).encode()


def keep_of_record(record: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the paths and patterns of the files that a record says are the user's."""
    card = record["card"]
    return tuple(card.get("keep", card.get("without-kept", ())))


def sums_text(sums: Mapping[str, str]) -> str:
    """Return checksum lines for ``sha256sum -c``: 64 hexadecimal digits, two spaces, file name, LF; by name.

    Source: GNU coreutils manual, "md5 output modes" and "sha2 utilities".
    """
    return "".join(f"{sums[name]}  {name}\n" for name in sorted(sums))


def volume_document(plan: Plan, timestamp_from: str) -> dict[str, object]:
    """Return what a record says of the volume; ``timestamp_from``: as in ``FinishedCard``."""
    volume = plan.volume
    return {
        "type": f"fat{volume.fat_bits}",
        "partitioned": volume.start > 0,
        "first-sector": volume.start,
        "sectors": volume.sectors,
        "cluster-size": volume.cluster_bytes,
        "clusters": volume.clusters,
        "used-clusters": plan.root_clusters + sum(entry.clusters for entry in plan.entries),
        "label": plan.label,
        "serial": serial_text(plan.serial),
        "timestamp": plan.timestamp.isoformat(),
        "timestamp-from": timestamp_from,
    }


def _rights(rights: Rights) -> dict[str, str]:
    stated = {"licence": rights.licence, "holder": rights.holder, "source": rights.source}
    return {key: value for key, value in stated.items() if value}


def _facts(manifest: Board | Core | Title) -> dict[str, str]:
    stated = {"source": manifest.source, "date": manifest.date}
    return {key: value for key, value in stated.items() if value}


def _warning(problem: Problem) -> dict[str, str]:
    return {"rule": problem.rule, "where": f"{problem.place.file}: {problem.place.key}", "what": problem.what}


def _core(core: Core) -> dict[str, object]:
    return {
        "id": core.id,
        "name": core.name,
        "release": core.release,
        "rights": _rights(core.rights),
        **({"release-date": core.release_date} if core.release_date else {}),
        **_facts(core),
    }


def _title(title: Title) -> dict[str, object]:
    return {"id": title.id, "name": title.name, "core": title.core, "rights": _rights(title.rights), **_facts(title)}


def placed(entry: Entry) -> dict[str, object]:
    """Return where a record says a file or folder lies."""
    return {
        "path": entry.path,
        "short-name": entry.short,
        "first-cluster": entry.cluster,
        "clusters": entry.clusters,
    }


def _file(entry: Entry, file: CardFile, ranges: Sequence[Range]) -> dict[str, object]:
    return {
        **placed(entry),
        "size": entry.size,
        "sha256": entry.sha256,
        "placement": file.placement,
        "made-from": _origin(file.origin) | ({"ranges": [_range(range_) for range_ in ranges]} if ranges else {}),
    }


def _origin(origin: Origin) -> dict[str, object]:
    return {
        "kind": origin.kind,
        "owner": origin.owner,
        "contents": [_content(ingredient) for ingredient in origin.ingredients],
        "steps": list(origin.steps),
    }


def _content(ingredient: Ingredient) -> dict[str, object]:
    given = {"kind": ingredient.kind, "owner": ingredient.owner} if ingredient.kind else {}
    return {"role": ingredient.role, "size": ingredient.size, "sha256": ingredient.sha256, **given}


def _range(range_: Range) -> dict[str, object]:
    return {"start": range_.start, "end": range_.end, "from": [str(source) for source in range_.sources]}
