"""The record of a finished card, as the JSON document that is written beside the image."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from pipeline.errors import Problem
from pipeline.fat.boot import serial_text
from pipeline.model.canonical import dump
from pipeline.model.content import CardFile, Origin
from pipeline.model.manifest import Board, Card, Core, Rights, Title
from pipeline.model.plan import Entry, Plan, Proof
from pipeline.model.ranges import Range

VERSION = 1
"""Of the record's form; schemas/record.schema.json describes it."""


def record_text(
    *,
    card: Card,
    board: Board,
    cores: Sequence[Core],
    titles: Sequence[Title],
    settings: Mapping[str, str],
    files: Sequence[CardFile],
    plan: Plan,
    plan_sha256: str,
    proof: Proof,
    timestamp_from: str,
    made_by: str,
    stations: Sequence[Mapping[str, object]] = (),
    warnings: Sequence[Problem] = (),
    silenced: Sequence[tuple[Problem, str]] = (),
    ranges: Mapping[str, Sequence[Range]] | None = None,
) -> Iterator[str]:
    """Yield the record's text: what is on the card, where, made from what, and what was proven.

    ``files`` must be those the plan was made from. ``timestamp_from`` says which of card, environment or default
    gave the timestamp; ``made_by`` names this program and its version. ``stations``: the matrix as JSON values.
    ``warnings`` and ``silenced`` (with reasons): what the rules said, their places named from the folder of inputs on.
    ``ranges``: of ROM files by their path on the card, where each of their bytes is from.
    """
    by_path = {file.path: file for file in files}
    return dump(
        {
            "cardkiln-record": VERSION,
            "card": {"id": card.id, "name": card.name, "version": card.version, "rights": _rights(card.rights)},
            "made-by": {"program": made_by, "read-back": proof.reader},
            "image": {"file": "card.img", "size": proof.image_size, "sha256": proof.image_sha256},
            "plan": {"file": "plan.json", "sha256": plan_sha256},
            "proven": {"files": proof.files, "folders": proof.folders, "file-bytes": proof.file_bytes},
            "volume": _volume(plan, timestamp_from),
            "board": {
                "id": board.id,
                "name": board.name,
                "settings": dict(settings),
                "rights": _rights(board.rights),
                **_facts(board),
            },
            "cores": [_core(core) for core in cores],
            "titles": [_title(title) for title in titles],
            "stations": list(stations),
            "warnings": [_warning(warning) for warning in warnings],
            "silenced": [{**_warning(warning), "reason": reason} for warning, reason in silenced],
            "folders": [_placed(entry) for entry in plan.entries if entry.is_folder],
            "files": (
                _file(entry, by_path[entry.path], (ranges or {}).get(entry.path, ()))
                for entry in plan.entries
                if not entry.is_folder
            ),
        }
    )


def sums_text(sums: Mapping[str, str]) -> str:
    """Return checksum lines for ``sha256sum -c``: 64 hexadecimal digits, two spaces, file name, LF; by name.

    Source: GNU coreutils manual, "md5 output modes" and "sha2 utilities".
    """
    return "".join(f"{sums[name]}  {name}\n" for name in sorted(sums))


def _volume(plan: Plan, timestamp_from: str) -> dict[str, object]:
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


def _placed(entry: Entry) -> dict[str, object]:
    return {
        "path": entry.path,
        "short-name": entry.short,
        "first-cluster": entry.cluster,
        "clusters": entry.clusters,
    }


def _file(entry: Entry, file: CardFile, ranges: Sequence[Range]) -> dict[str, object]:
    return {
        **_placed(entry),
        "size": entry.size,
        "sha256": entry.sha256,
        "placement": file.placement,
        "made-from": _origin(file.origin) | ({"ranges": [_range(one) for one in ranges]} if ranges else {}),
    }


def _origin(origin: Origin) -> dict[str, object]:
    return {
        "kind": origin.kind,
        "owner": origin.owner,
        "contents": [{"role": i.role, "size": i.size, "sha256": i.sha256} for i in origin.ingredients],
        "steps": list(origin.steps),
    }


def _range(one: Range) -> dict[str, object]:
    return {"start": one.start, "end": one.end, "from": [str(source) for source in one.sources]}
