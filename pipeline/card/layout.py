"""Lays a card out: from the files it is to hold to the plan, every entry and cluster decided."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from pipeline.card.tree import Folder, grow_tree
from pipeline.errors import ManifestError, Place, Problem
from pipeline.fat.entries import EARLIEST, LATEST, MOMENTS, MOST_SLOTS, SLOT
from pipeline.fat.names import is_short, label_problem, name_problem, short_names, slots
from pipeline.model.content import CardFile, CardFolder
from pipeline.model.plan import Entry, Plan, Volume
from pipeline.model.rules import (
    CONTENTS_FIT,
    FILES_ARE_NOT_TOO_LARGE,
    FOLDERS_HAVE_ROOM,
    LABEL_IS_LEGAL,
    ONE_FILE_IS_FIRST,
    TIMESTAMP_CAN_BE_STORED,
)
from pipeline.model.units import show_size

GROUPS = ("first", "folder", "one-piece", "anywhere")
"""Whose clusters come first in the data area, after the root directory of FAT32."""


def lay_out(
    card_id: str,
    files: Sequence[CardFile],
    volume: Volume,
    *,
    label: str,
    label_entry: str,
    serial: int,
    timestamp: datetime,
    where: Place,
    folders: Sequence[CardFolder] = (),
) -> Plan:
    """Return the plan of a card: the same for the same values, whatever order the files come in.

    Every file and folder is one ascending run of clusters, and the runs follow each other without a gap: the root
    directory (FAT32), the file placed "first", the folders, the files placed "one-piece", the others. A folder holds
    the first file, then everything by name. The timestamp is rounded down to even seconds.

    Files have known sizes. Raises ManifestError with every problem: those of a file at its own place, those of the
    card at ``where`` with the key they are about.
    """
    root, problems = file_problems(files, folders, volume.cluster_bytes, where)
    problems += label_problems(label, label_entry, where)
    problems += _check_timestamp(timestamp, where)
    layout = _measure(root, volume, has_label=bool(label))
    problems += _check_folders(layout, volume, where)
    problems += _check_capacity(layout, volume, where)
    if problems:
        raise ManifestError(problems)
    return Plan(
        card=card_id,
        volume=volume,
        label=label,
        label_entry=label_entry if label else "none",
        serial=serial,
        timestamp=timestamp.replace(second=timestamp.second // 2 * 2, microsecond=0),
        root_clusters=layout.root_clusters,
        entries=tuple(_entries(layout, volume)),
    )


@dataclass(frozen=True, slots=True)
class _Listing:
    """A folder measured: its children and their short names, in directory order, and the slots it takes."""

    folder: Folder
    children: list[CardFile | Folder]
    shorts: list[str]
    slots: int


@dataclass(frozen=True, slots=True)
class _Layout:
    """Every folder by path, and the clusters each of ``GROUPS`` takes."""

    listings: dict[str, _Listing]
    root_clusters: int
    groups: dict[str, int]

    @property
    def clusters(self) -> int:
        return self.root_clusters + sum(self.groups.values())


def _measure(root: Folder, volume: Volume, *, has_label: bool) -> _Layout:
    """Return all folders listed, and how many clusters everything takes."""
    listings: dict[str, _Listing] = {}
    groups = dict.fromkeys(GROUPS, 0)
    waiting = [root]
    while waiting:
        folder = waiting.pop()
        listing = listings[folder.path] = _list(folder, has_label=has_label)
        for child in listing.children:
            if isinstance(child, Folder):
                waiting.append(child)
            else:
                groups[child.placement] += _clusters(_size(child), volume)
        if folder is not root:
            groups["folder"] += _clusters(listing.slots * SLOT, volume)
    root_bytes = max(1, listings[""].slots) * SLOT
    return _Layout(listings, _clusters(root_bytes, volume) if volume.fat_bits == 32 else 0, groups)


def _list(folder: Folder, *, has_label: bool) -> _Listing:
    """Return a folder's children in directory order: the file placed "first", then by folded name."""
    children = [child for _, child in sorted(folder.children.items())]
    folder.children = {}  # they are in the listing, and folded names take as much memory as paths
    if not folder.path:
        children.sort(key=lambda child: isinstance(child, Folder) or child.placement != "first")
    names = [_name(child) for child in children]
    shorts = short_names(names)
    own = 2 if folder.path else int(has_label)
    return _Listing(folder, children, shorts, own + sum(map(slots, names, shorts)))


def _entries(layout: _Layout, volume: Volume) -> Iterator[Entry]:
    """Yield every entry, a folder before what it holds, each with the next free clusters of its group."""
    free = {}
    cluster = 2 + layout.root_clusters
    for group in GROUPS:
        free[group] = cluster
        cluster += layout.groups[group]
    open_folders = [_with_shorts(layout.listings[""])]
    while open_folders:
        for child, short in open_folders[-1]:
            if isinstance(child, Folder):
                listing = layout.listings[child.path]
                group, size, clusters = "folder", 0, _clusters(listing.slots * SLOT, volume)
            else:
                group, size, clusters = child.placement, _size(child), _clusters(_size(child), volume)
            sha256 = "" if isinstance(child, Folder) else child.content.sha256
            start = free[group] if clusters else 0
            free[group] += clusters
            yield Entry(path=child.path, short=short, cluster=start, clusters=clusters, size=size, sha256=sha256)
            if isinstance(child, Folder):
                open_folders.append(_with_shorts(listing))
                break
        else:
            open_folders.pop()


def _with_shorts(listing: _Listing) -> Iterator[tuple[CardFile | Folder, str]]:
    return zip(listing.children, listing.shorts, strict=True)


def file_problems(
    files: Sequence[CardFile], folders: Sequence[CardFolder], cluster_bytes: int, where: Place
) -> tuple[Folder, list[Problem]]:
    """Return the root folder, and what keeps files off any volume with such clusters: names, first file, sizes."""
    root, problems = grow_tree(files, folders, where)
    problems += (replace(problem, rule=ONE_FILE_IS_FIRST.name) for problem in _check_first(files))
    problems += _check_sizes(files, cluster_bytes)
    return root, problems


def label_problems(label: str, label_entry: str, where: Place) -> list[Problem]:
    """Return why a volume cannot have a label, or the board takes none; "" is no label."""
    place = replace(where, key="volume.label")
    if label and label_entry == "none":
        what = f'the label is "{label}", but the board wants no entry for a label on the card; expected none'
        return [Problem(place, what, "remove the label, or change label-entry of the board", rule=LABEL_IS_LEGAL.name)]
    fault = label_problem(label)
    if fault is None:
        return []
    what, _, hint = fault.rpartition("; ")
    return [Problem(place, f'the label "{label}" {what}', hint, rule=LABEL_IS_LEGAL.name)]


def _check_timestamp(timestamp: datetime, where: Place) -> list[Problem]:
    if EARLIEST <= timestamp.replace(microsecond=0) <= LATEST:
        return []
    what = f"the timestamp is {timestamp:%Y-%m-%d}; expected {MOMENTS}, which every reader shows correctly"
    place = replace(where, key="volume.timestamp")
    return [Problem(place, what, "choose another moment", rule=TIMESTAMP_CAN_BE_STORED.name)]


def _check_first(files: Sequence[CardFile]) -> Iterator[Problem]:
    """Yield what keeps a file from being the first of the card, in one piece, for every kind of reader."""
    first = sorted((file for file in files if file.placement == "first"), key=lambda file: (file.path, file.place))
    for file in first[1:]:
        what = f'"{first[0].path}" and "{file.path}" both ask to be the first file on the card'
        yield Problem(file.place, what, 'keep placement = "first" for one of them', (first[0].place,))
    for file in first:
        start = f'"{file.path}" asks to be the first file on the card but '
        name = file.path.rpartition("/")[2]
        if name != file.path:
            yield Problem(file.place, f"{start}lies in a folder; expected in the root", f'make its path "{name}"')
        if not is_short(name) and name_problem(name) is None:
            what = f"{start}has a long name, whose slots would stand before its entry; expected upper-case 8.3"
            yield Problem(file.place, what, f'name it "{short_names([name])[0]}" or the like')
        if not _size(file):
            yield Problem(file.place, f"{start}is empty; expected at least 1 byte", "an empty file has no position")


def _check_sizes(files: Sequence[CardFile], cluster_bytes: int) -> Iterator[Problem]:
    """Yield the files whose chain of clusters would reach 4 GiB: a public checker counts its bytes in 32 bits."""
    most = 2**32 - cluster_bytes
    for file in files:
        if _size(file) > most:
            what = f'"{file.path}" has {_size(file):,} bytes; a file on this volume may have {most:,}'
            yield Problem(file.place, what, "split it, or leave it out", rule=FILES_ARE_NOT_TOO_LARGE.name)


def _check_folders(layout: _Layout, volume: Volume, where: Place) -> Iterator[Problem]:
    """Yield the folders with too many entries."""
    for path, listing in layout.listings.items():
        fixed_root = not path and volume.root_entries > 0
        most = volume.root_entries if fixed_root else MOST_SLOTS
        if listing.slots > most:
            name = f'the folder "{path}"' if path else "the root folder"
            what = f"{name} takes {listing.slots:,} directory slots of 32 bytes; it may have {most:,}"
            hint = "put files into folders" if fixed_root else "spread its files over several folders"
            place = listing.folder.place if path else where
            hint += "; a name that is upper-case 8.3 takes one slot, longer ones more"
            yield Problem(place, what, hint, rule=FOLDERS_HAVE_ROOM.name)


def _check_capacity(layout: _Layout, volume: Volume, where: Place) -> list[Problem]:
    missing = layout.clusters - volume.clusters
    if missing <= 0:
        return []
    size = show_size(volume.cluster_bytes)
    what = f"files and folders take {layout.clusters:,} clusters of {size}; the volume has {volume.clusters:,}"
    hint = f"ask for a card at least {missing * volume.cluster_bytes:,} bytes larger, or leave files out"
    place = replace(where, key="volume.size")
    return [Problem(place, f"{what}, {missing:,} too few", hint, rule=CONTENTS_FIT.name)]


def _size(file: CardFile) -> int:
    if file.content.size is None:
        raise ValueError(f"the size of {file.path} is not known")
    return file.content.size


def _clusters(size: int, volume: Volume) -> int:
    return -(-size // volume.cluster_bytes)


def _name(child: CardFile | Folder) -> str:
    return child.path.rpartition("/")[2]
