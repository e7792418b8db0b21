"""The plan as canonical JSON: one line an entry, so that two plans differ in the lines that differ.

    {"cardkiln-plan":1,
    "entries":[
    {"cluster":2,"clusters":1,"path":"DISCS.LIB","sha256":"...","short":"DISCS.LIB","size":40960},
    {"cluster":4,"clusters":1,"path":"Games","short":"GOODS"}
    ],
    "id":"club-night",
    ...
    "volume":{...}
    }

A file has a size and a hash, a folder has neither.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, fields
from datetime import datetime
from typing import Any

from pipeline.model.plan import Entry, Plan, Volume

VERSION = 1
"""Of the text's form; no other is read."""

START = f'{{"cardkiln-plan":{VERSION},\n'
OPEN_ENTRIES = '"entries":[\n'
CLOSE_ENTRIES = "],\n"

FOLDER = {"cluster": int, "clusters": int, "path": str, "short": str}
FILE = FOLDER | {"sha256": str, "size": int}
VOLUME = {field.name.replace("_", "-"): int for field in fields(Volume)}
REST = {
    "id": str,
    "label": str,
    "label-entry": str,
    "root-clusters": int,
    "serial": int,
    "timestamp": str,
    "volume": dict,
}
"""Each: the keys of an object and the types of their values; all of them and no others."""

MOMENT = "%Y-%m-%dT%H:%M:%S"

encode = json.JSONEncoder(sort_keys=True, separators=(",", ":")).encode
quote = json.encoder.encode_basestring_ascii


def plan_to_text(plan: Plan) -> str:
    """Return the plan as JSON: sorted keys, ASCII, LF, one entry a line; equal plans give equal text."""
    return "".join(plan_lines(plan))


def plan_from_text(text: str) -> Plan:
    """Return the plan that ``plan_to_text`` wrote; raises ValueError, with the line, for any other text."""
    return plan_from_lines(_lines(text))


def plan_lines(plan: Plan) -> Iterator[str]:
    """Yield the lines of the plan's text, each with its LF."""
    yield START
    yield OPEN_ENTRIES
    for number, entry in enumerate(plan.entries, start=1):
        yield _entry_text(entry) + (",\n" if number < len(plan.entries) else "\n")
    yield CLOSE_ENTRIES
    rest = {
        "id": plan.card,
        "label": plan.label,
        "label-entry": plan.label_entry,
        "root-clusters": plan.root_clusters,
        "serial": plan.serial,
        "timestamp": plan.timestamp.strftime(MOMENT),
        "volume": {key.replace("_", "-"): value for key, value in asdict(plan.volume).items()},
    }
    for number, (key, value) in enumerate(rest.items(), start=1):
        yield f'"{key}":{encode(value)}' + (",\n" if number < len(rest) else "\n")
    yield "}\n"


def plan_from_lines(lines: Iterable[str]) -> Plan:
    """Return the plan whose text comes line by line; raises ValueError, with the line, for text of another form."""
    numbered = enumerate(lines, start=1)
    for expected in (START, OPEN_ENTRIES):
        number, line = next(numbered, (1, ""))
        if line != expected:
            raise ValueError(f"line {number}: found {line[:40].strip()!r}, expected {expected.strip()!r}")
    entries = tuple(_entries(numbered))
    try:
        rest = _decode("{" + "".join(line for _, line in numbered), REST)
        volume = _check_types(rest["volume"], VOLUME)
        timestamp = _moment(rest["timestamp"])
    except ValueError as error:
        raise ValueError(f"after line {len(entries) + 3}: {error}") from None
    return Plan(
        card=rest["id"],
        volume=Volume(**{key.replace("-", "_"): value for key, value in volume.items()}),
        label=rest["label"],
        label_entry=rest["label-entry"],
        serial=rest["serial"],
        timestamp=timestamp,
        root_clusters=rest["root-clusters"],
        entries=entries,
    )


def _entry_text(entry: Entry) -> str:
    """Return what ``encode`` gives of an entry's keys, sorted; written out, as a card has many thousands."""
    start = f'{{"cluster":{entry.cluster},"clusters":{entry.clusters},"path":{quote(entry.path)}'
    if entry.is_folder:
        return f'{start},"short":{quote(entry.short)}}}'
    return f'{start},"sha256":{quote(entry.sha256)},"short":{quote(entry.short)},"size":{entry.size}}}'


def _entries(numbered: Iterator[tuple[int, str]]) -> Iterator[Entry]:
    """Yield the entries up to the line that closes their list."""
    for number, line in numbered:
        if line == CLOSE_ENTRIES:
            return
        try:
            record = _decode(line.removesuffix("\n").removesuffix(","), FILE if '"sha256":' in line else FOLDER)
        except ValueError as error:
            raise ValueError(f"line {number}: {error}") from None
        yield Entry(**record)
    raise ValueError(f"the list of entries has no end; expected a line {CLOSE_ENTRIES.strip()!r}")


def _decode(text: str, expected: Mapping[str, type]) -> dict[str, Any]:
    try:
        record = json.loads(text)
    except ValueError:
        raise ValueError(f"found no JSON, expected {_types(expected)}") from None
    return _check_types(record, expected)


def _check_types(record: Any, expected: Mapping[str, type]) -> dict[str, Any]:
    """Return ``record`` if it is an object with exactly the expected keys and types of values, else ValueError."""
    found = {key: type(value) for key, value in record.items()} if isinstance(record, dict) else type(record)
    if found != expected:
        raise ValueError(f"found {_types(found)}, expected {_types(expected)}")
    return dict(record)


def _moment(text: str) -> datetime:
    try:
        return datetime.strptime(text, MOMENT)
    except ValueError:
        raise ValueError(f"found timestamp {text}, expected year-month-dayThour:minute:second") from None


def _types(record: object) -> str:
    if not isinstance(record, Mapping):
        return str(getattr(record, "__name__", record))
    return ", ".join(f"{key} ({kind.__name__})" for key, kind in sorted(record.items()))


def _lines(text: str) -> Iterator[str]:
    """Yield the lines of a text with their LF, without a second copy of it."""
    start = 0
    while start < len(text):
        end = text.find("\n", start) + 1 or len(text)
        yield text[start:end]
        start = end
