"""The disks of this machine, as ``lsblk`` tells of them."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

COLUMNS = (
    "PATH", "TYPE", "SIZE", "RM", "RO", "HOTPLUG", "TRAN", "SUBSYSTEMS", "VENDOR", "MODEL", "SERIAL", "FSTYPE", "LABEL",
    "MOUNTPOINT",
)  # fmt: skip
LSBLK = ("lsblk", "--bytes", "--json", "--paths", "--output", ",".join(COLUMNS))
"""MOUNTPOINT, not MOUNTPOINTS: util-linux before 2.37 has only the former."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Disk:
    """A whole disk. ``size``: in bytes. ``buses``: how it is connected ("usb", "mmc"), from both columns that say it.

    ``model``: maker and model in one line. ``uses``: what keeps it from being written, in words: mounted parts, swap,
    and what other layers hold it. ``parts``: paths of its partitions.
    """

    path: str
    kind: str
    size: int
    buses: frozenset[str]
    read_only: bool
    model: str
    serial: str
    label: str
    uses: tuple[str, ...]
    parts: tuple[str, ...]


def disks_of(text: str) -> tuple[Disk, ...]:
    """Return the whole disks that the JSON of ``lsblk`` (LSBLK) names, by path; raises ValueError for other text.

    Flags come as true and false or as "1" and "0", by the version of util-linux; sizes as numbers or digits.
    Source: lsblk(8) of util-linux 2.33 to 2.41.
    """
    document = json.loads(text)
    nodes = document.get("blockdevices") if isinstance(document, dict) else None
    if not isinstance(nodes, list):
        raise ValueError("no list of block devices")
    disks = [_disk(node) for node in nodes if node.get("type") in ("disk", "loop")]
    return tuple(sorted((disk for disk in disks if disk.size), key=lambda disk: disk.path))


def part_of(text: str, path: str) -> str:
    """Return the whole disk a partition is on, "" when the path is no partition."""
    for node in json.loads(text)["blockdevices"]:
        if any(below["path"] == path for below in _below(node)):
            return str(node["path"])
    return ""


def _disk(node: Mapping[str, Any]) -> Disk:
    words = (str(node.get(key) or "").strip() for key in ("vendor", "model"))
    buses = {str(node.get("tran") or ""), *str(node.get("subsystems") or "").split(":")} - {"", "block"}
    parts = [below for below in _below(node) if below.get("type") == "part"]
    return Disk(
        path=str(node["path"]),
        kind=str(node["type"]),
        size=int(node.get("size") or 0),
        buses=frozenset(buses),
        read_only=_flag(node.get("ro")),
        model=" ".join(" ".join(words).split()),
        serial=str(node.get("serial") or "").strip(),
        label=next((str(one["label"]) for one in (node, *parts) if one.get("label")), ""),
        uses=tuple(_uses(node)),
        parts=tuple(str(part["path"]) for part in parts),
    )


def _below(node: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    for child in node.get("children") or ():
        yield child
        yield from _below(child)


def _uses(node: Mapping[str, Any]) -> Iterator[str]:
    """Yield what a disk and everything on it is used for."""
    for one in (node, *_below(node)):
        place = one.get("mountpoint") or next(iter(filter(None, one.get("mountpoints") or ())), None)
        if place:
            yield f"{one['path']} is in use as swap" if place == "[SWAP]" else f"{one['path']} is mounted at {place}"
        if one is not node and one.get("type") != "part":
            yield f"{one['path']} ({one.get('type')}) is made of it"


def _flag(value: object) -> bool:
    return value in (True, 1, "1")
