"""Which keys of a manifest say what bytes they mean, and so can be pinned: of chips, ROM files, images and others."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from pipeline.errors import Place, Problem
from pipeline.manifest.schema.validate import schema
from pipeline.manifest.text.positions import Part, spell
from pipeline.model.text import did_you_mean, listed, quote, quoted

KeyPath = tuple[Part, ...]
"""The way to a table of a manifest, such as ("chips", "4t") or ("rom", 0); () for a card and its image."""

NAMED = {"chips": "chip", "sockets": "chip", "patches": "patch"}
"""Tables of named tables, with what one of them is."""
LISTED = {"rom": "ROM file", "files": "file"}
"""Lists of tables, with what one of them is; an item is named by its number or its ``path``."""

GROUPS: Mapping[str, Sequence[str]] = {
    "title": ("chips", "sockets", "patches", "rom", "files"),
    "core": ("bitstream", "files"),
    "card": ("image", "files"),
}
"""What can be pinned in each kind of manifest; it has a size and a SHA-256, and an image the latter alone."""

FIELDS = ("size", "sha256", "crc32")
IMAGE_FIELD = "image-sha256"


def fields(way: KeyPath) -> Sequence[str]:
    """Return the keys a table can be pinned by, in the order they are written."""
    if not way:
        return (IMAGE_FIELD,)
    return FIELDS[:2] if way[0] == "rom" else FIELDS


def find(
    kind: str, data: Mapping[str, Any], key: str, file: str, roms: Mapping[str, int] | None = None
) -> KeyPath | Problem:
    """Return the way to the table that ``key`` ("chips.4t", "rom.1", "rom.MOTH.ROM", "bitstream") means, or why none.

    A chip, a patch or a bitstream need not be there yet; ``data`` is any TOML that may have other problems. ``roms``:
    all ROM files of a title that takes some over, in their order, each with the number (from 0) of its own table, which
    need not be there yet.
    """
    group, _, rest = key.partition(".")
    found: KeyPath | None = None
    if group in GROUPS.get(kind, ()):
        if group == "rom" and roms:
            found = _taken(roms, rest)
        elif group in LISTED:
            found = _item(data, group, rest)
        elif group in NAMED:
            found = (group, rest) if rest and _is_name(data, group, rest) else None
        elif not rest:
            found = () if group == "image" else (group,)
    if found is None:
        return Problem(Place(file, key=key), _unknown(kind), _hint(kind, data, key))
    return _fitting(data, found, file) or found


def key_of(way: KeyPath) -> str:
    """Return the key by which a person names what is pinned; the inverse of ``find``."""
    return spell(way) or "image"


def held(data: Mapping[str, Any], way: KeyPath) -> Any:
    """Return what stands at a way, None when there is nothing."""
    value: Any = data
    for part in way:
        if isinstance(part, int):
            value = value[part] if isinstance(value, list) and part < len(value) else None
        else:
            value = value.get(part) if isinstance(value, dict) else None
    return value


def _item(data: Mapping[str, Any], group: str, rest: str) -> KeyPath | None:
    """Return the way to the item of a list with this number (from 1) or, if it is the only one, this path."""
    items = data.get(group)
    if not isinstance(items, list):
        return None
    if re.fullmatch("[1-9][0-9]{0,5}", rest):
        return (group, int(rest) - 1) if int(rest) <= len(items) else None
    same = _with_path(items, rest)
    return (group, same[0]) if len(same) == 1 else None


def _taken(roms: Mapping[str, int], rest: str) -> KeyPath | None:
    """Return the way to the ROM file with this number (from 1) or path."""
    numbers = list(roms.values())
    if re.fullmatch("[1-9][0-9]{0,5}", rest):
        return ("rom", numbers[int(rest) - 1]) if int(rest) <= len(numbers) else None
    return ("rom", roms[rest]) if rest in roms else None


def _with_path(items: Sequence[Any], path: str) -> list[int]:
    return [index for index, item in enumerate(items) if isinstance(item, dict) and item.get("path") == path]


def _is_name(data: Mapping[str, Any], group: str, name: str) -> bool:
    """Whether a name is that of a table, or can be that of a new one; a key within a table is none."""
    if held(data, (group, name)) is not None:
        return True
    if name.rpartition(".")[2] in (*FIELDS, "part"):
        return False
    pattern: str = schema("title")["$defs"]["patch-name" if group == "patches" else "chip-name"]["pattern"]
    return re.fullmatch(pattern, name) is not None


def _fitting(data: Mapping[str, Any], way: KeyPath, file: str) -> Problem | None:
    """Return why what stands at a way cannot be pinned, None if it can."""
    for end in range(1, len(way) + 1):
        value = held(data, way[:end])
        wanted = list if end == 1 and way[0] in LISTED else dict
        if value is not None and not isinstance(value, wanted):
            place = Place(file, key=spell(way[:end]))
            return Problem(place, f"found {quote(str(value))}, expected a table with size and sha256")
    table = held(data, way)
    if table is not None and "from" in table:
        what = f"found from = {quote(str(table['from']))}, which needs no size and no hash"
        return Problem(Place(file, key=spell((*way, "from"))), what, "to pin it, take out from first")
    return None


def _unknown(kind: str) -> str:
    groups = GROUPS.get(kind, ())
    if not groups:
        return f"nothing in a {kind} has a size and a hash of its own; expected a title, a core or a card"
    kinds = {**NAMED, **LISTED, "bitstream": "bitstream", "image": "image"}
    words = dict.fromkeys(kinds[group] for group in groups)
    return f"is no {listed(list(words), 'or')} of this manifest"


def _hint(kind: str, data: Mapping[str, Any], key: str) -> str:
    group, _, rest = key.partition(".")
    items = data.get(group) if group in LISTED and group in GROUPS.get(kind, ()) else None
    if isinstance(items, list) and items:
        same = [f"{group}.{index + 1}" for index in _with_path(items, rest)]
        if same:
            return f"{len(same)} have this path: write {quoted(same)}"
        if rest.isdigit():
            return f"they count from {group}.1 to {group}.{len(items)}"
    known = list(dict.fromkeys(_known(kind, data)))
    above = max((name for name in known if key.startswith(f"{name}.")), key=len, default="")
    some = f"there are {quoted(known[:6], 'and')}" if known else ""
    return did_you_mean(above or key, known, some)


def _known(kind: str, data: Mapping[str, Any]) -> Iterator[str]:
    """Yield the keys that can be pinned, as one writes them."""
    for group in GROUPS.get(kind, ()):
        value = data.get(group)
        if group not in NAMED and group not in LISTED:
            yield group
        elif group in NAMED and isinstance(value, dict):
            yield from (f"{group}.{name}" for name in value)
        elif group in LISTED and isinstance(value, list):
            for number, item in enumerate(value, 1):
                yield f"{group}.{number}"
                if isinstance(item, dict) and isinstance(item.get("path"), str):
                    yield f"{group}.{item['path']}"
