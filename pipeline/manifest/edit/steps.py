"""Steps written into the ROM file of a title's manifest, every other character of which stays as it is."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from typing import Any

from pipeline.errors import CheckError, ManifestError, Place, Problem
from pipeline.manifest.edit.insert import Edit, apply
from pipeline.manifest.text.positions import Positions, ValueSpan
from pipeline.model.text import counted

KEYS = ("fill", "then")
"""Keys of a ROM file that belong to its steps, in the order they are written."""


def write_steps(
    text: str,
    file: str,
    number: int,
    values: Mapping[str, Any],
    blocks: str,
    assigned: Callable[[str, Any], str],
    *,
    replacing: bool = False,
) -> str:
    """Return a manifest's text with the steps of its ROM file ``number`` (from 0), and with its fill and ``then``.

    ``values`` hold ``steps`` and, where there are any, ``fill`` and ``then``; ``blocks`` are the steps as tables, and
    ``assigned`` gives a line. Raises CheckError where there are other steps, unless ``replacing``, and ManifestError
    where the ROM file is written in a form that cannot be added to.
    """
    data = tomllib.loads(text)
    rom = data["rom"][number]
    key = f"rom.{number + 1}"
    old = {name: rom[name] for name in (*KEYS, "steps") if name in rom}
    if old == dict(values):
        return text
    if old.get("steps") and not replacing:
        what = f"declares {counted(len(old['steps']), 'other step')}"
        raise CheckError.one(what, "with --replace the steps found are written", file=file, key=key)
    positions = Positions(text)
    spot = positions.spot(["rom", number])
    if not text.startswith("[[", spot.value) or ("steps" in rom and not _is_headed(text, spot)):
        raise _by_hand(file, key)
    result = apply(text, _edits(text, spot, rom, values, blocks, assigned))
    rom = {name: value for name, value in rom.items() if name not in old} | dict(values)
    data["rom"][number] = rom
    if _read(result) != data:
        raise _by_hand(file, key)
    return result


def _by_hand(file: str, key: str) -> ManifestError:
    what = "is written in a form that cannot be added to safely"
    return ManifestError([Problem(Place(file, key=key), what, "run without --write, and write the steps by hand")])


def _read(text: str) -> dict[str, Any] | None:
    try:
        return tomllib.loads(text)
    except ValueError:
        return None


def _is_headed(text: str, rom: ValueSpan) -> bool:
    return all(text.startswith("[[", step.value) for step in rom.inner["steps"].inner.values())


def _edits(
    text: str,
    spot: ValueSpan,
    rom: Mapping[str, Any],
    values: Mapping[str, Any],
    blocks: str,
    assigned: Callable[[str, Any], str],
) -> list[Edit]:
    ending = "\r\n" if "\r\n" in text else "\n"
    pairs = {name: inner for name, inner in spot.inner.items() if name != "steps"}
    edits = list[Edit]()
    last = max((inner.end for inner in pairs.values()), default=spot.end)
    for name in KEYS:
        if name in rom and rom[name] != values.get(name):
            start, end = text.rfind("\n", 0, pairs[name].key) + 1, _line_end(text, pairs[name].end)
            new = assigned(name, values[name]).replace("\n", ending) + ending if name in values else ""
            edits.append((start, end, new))
        elif name in values and name not in rom:
            at = _line_end(text, last)
            before = "" if text[:at].endswith("\n") else ending
            edits.append((at, at, before + assigned(name, values[name]).replace("\n", ending) + ending))
    blocks = blocks.replace("\n", ending)
    if "steps" in spot.inner:
        steps = list(spot.inner["steps"].inner.values())
        start = text.rfind("\n", 0, steps[0].value) + 1
        edits.append((start, _line_end(text, max(map(_end, steps))), blocks))
    else:
        at = _line_end(text, last)
        before = "" if text[:at].endswith("\n") else ending
        edits.append((at, at, before + ending + blocks))
    return edits


def _end(spot: ValueSpan) -> int:
    return max([spot.end, *map(_end, spot.inner.values())])


def _line_end(text: str, at: int) -> int:
    """Return the offset behind the line that holds an offset."""
    found = text.find("\n", at)
    return len(text) if found < 0 else found + 1
