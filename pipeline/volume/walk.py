"""The tree of a volume, every chain followed, every entry checked; bounded on any input.

Source: Microsoft FAT32 File System Specification 1.03 (2000), "FAT Directory Structure".
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from pipeline.fat.entries import MOST_SLOTS, SLOT
from pipeline.fat.names import fold
from pipeline.model.plan import SECTOR
from pipeline.model.reading import Item
from pipeline.volume.boot import Boot
from pipeline.volume.directory import Piece, Raw, entries, short_is_bad, shown_label
from pipeline.volume.source import Findings, PaddedReader
from pipeline.volume.table import ClusterChain, Table

MOST_ITEMS = 100_000
MOST_CHARACTERS = 16_000_000
"""Of all paths together."""

MOST_ALL_SLOTS = 1 << 22
"""Of all directories together."""

Open = tuple[str, int, Iterator[Raw]]
"""A folder being read: its path, first cluster (0 for the root), and the entries still to come."""


@dataclass(slots=True)
class Walk:
    """Reads the tree; what it found is in its fields afterwards. ``start``: of the volume, in bytes."""

    source: PaddedReader
    boot: Boot
    start: int
    table: Table
    findings: Findings
    items: list[Item] = field(default_factory=list)
    shared: list[tuple[int, Item]] = field(default_factory=list)
    labels: list[bytes] = field(default_factory=list)
    label_offset: int = 0
    root: ClusterChain = field(default_factory=lambda: ClusterChain(()))
    characters: int = MOST_CHARACTERS
    slots: int = MOST_ALL_SLOTS

    def run(self) -> None:
        """Read everything."""
        folders: list[Open] = [("", 0, self._root())]
        parents = [0]
        while folders:
            path, cluster, left = folders[-1]
            raw = next(left, None)
            if raw is None:
                folders.pop()
                parents.pop()
                continue
            if len(self.items) >= MOST_ITEMS or self.characters < 0:
                self.findings.add("too many", f"only the first {len(self.items):,} files and folders are read")
                return
            item = self._item(raw, path)
            self.items.append(item)
            self.characters -= len(item.path)
            if raw.is_folder and item.extents and raw.cluster == item.extents[0][0]:
                folders.append((item.path, raw.cluster, self._folder(item, raw.cluster, cluster)))
                parents.append(cluster)

    def _offset(self, cluster: int) -> int:
        return self.start + (self.boot.data_sector + (cluster - 2) * self.boot.cluster_sectors) * SECTOR

    def _root(self) -> Iterator[Raw]:
        boot = self.boot
        if boot.fat_bits != 32:
            at = self.start + (boot.data_sector - boot.root_sectors) * SECTOR
            pieces: Iterable[Piece] = [(at, self.source.read(at, boot.root_entries * SLOT))]
        else:
            self.root = self.table.follow(boot.root_cluster)
            if self.root.trouble or self.root.shared:
                self.findings.add("chain", f"the root directory {self.root.trouble or 'has no chain of its own'}")
            pieces = self._pieces(self.root.runs, "")
        for raw in self._unique(pieces, ""):
            if raw.is_label:
                self._label(raw)
            else:
                yield raw

    def _label(self, raw: Raw) -> None:
        self.labels.append(raw.raw11)
        self.label_offset = self.label_offset or raw.offset
        if len(self.labels) > 1:
            self.findings.add("label", f'a second volume label, "{shown_label(raw.raw11)}"', offset=raw.offset)
        if raw.cluster or raw.size:
            self.findings.add("label", "the volume label has a cluster or a size", offset=raw.offset)

    def _folder(self, item: Item, cluster: int, parent: int) -> Iterator[Raw]:
        """Yield the entries of a folder without its two dot entries, which are checked."""
        dots = 0
        for number, raw in enumerate(self._unique(self._pieces(item.extents, item.path), item.path)):
            if raw.is_dot:
                dots += 1
                self._check_dot(raw, number, cluster, parent, item.path)
            elif raw.is_label:
                what = f'a volume label, "{raw.short}", is outside the root directory'
                self.findings.add("label", what, offset=raw.offset, path=item.path)
            else:
                yield raw
        if dots < 2:
            what = "it does not begin with entries for itself and its parent"
            self.findings.add("dot entries", what, offset=self._offset(cluster), path=item.path)

    def _check_dot(self, raw: Raw, number: int, cluster: int, parent: int, path: str) -> None:
        kind = raw.raw11.rstrip().decode("ascii")
        expected = cluster if kind == "." else parent
        wrong = ""
        if number != len(kind) - 1:
            wrong = f'"{kind}" is entry {number + 1}, expected {len(kind)}'
        elif not raw.is_folder:
            wrong = f'"{kind}" is not marked as a folder'
        elif raw.cluster != expected:
            wrong = f'"{kind}" points to cluster {raw.cluster:,}, expected {expected:,}'
        elif raw.size:
            wrong = f'"{kind}" has a size of {raw.size:,}, expected 0'
        if wrong:
            self.findings.add("dot entries", wrong, offset=raw.offset, path=path)

    def _pieces(self, extents: Sequence[tuple[int, int]], path: str) -> Iterator[Piece]:
        """Yield the bytes of a directory, a run at a time, up to the specification's limit."""
        left = MOST_SLOTS * SLOT
        size = self.boot.cluster_sectors * SECTOR
        for first, count in extents:
            if left <= 0 or self.slots <= 0:
                self.findings.add("too many", "the directory has more slots than are read", path=path)
                return
            offset, part = self._offset(first), min(count * size, left)
            if offset < self.source.size:  # after the end of the card all is zeros, which end a directory
                yield offset, self.source.read(offset, part)
            left -= part

    def _unique(self, pieces: Iterable[Piece], path: str) -> Iterator[Raw]:
        """Yield the entries of a directory, and find names that are there twice."""
        names: dict[str, str] = {}
        for raw in entries(pieces, self.boot.fat_bits == 32, path, self.findings):
            self.slots -= raw.slots
            if not raw.is_label and not raw.is_dot:
                for name in {fold(raw.name), fold(raw.short)}:
                    if name in names:
                        what = f'"{raw.name}" has the name of "{names[name]}"'
                        self.findings.add("duplicate name", what, offset=raw.offset, path=_below(path, raw.name))
                    names[name] = raw.name
            yield raw

    def _item(self, raw: Raw, folder: str) -> Item:
        path = _below(folder, raw.name)
        needed = -(-raw.size // (self.boot.cluster_sectors * SECTOR))
        chain = ClusterChain(())
        if raw.cluster:
            chain = self.table.follow(raw.cluster, None if raw.is_folder else needed)
        item = Item(
            path=path,
            short=raw.short,
            is_folder=raw.is_folder,
            size=0 if raw.is_folder else raw.size,
            extents=chain.runs,
            offset=raw.offset,
            attributes=raw.attributes,
            times=raw.times,
            slots=raw.slots,
        )
        if chain.shared:
            self.shared.append((chain.shared, item))
        self._check(item, raw, chain, needed)
        return item

    def _check(self, item: Item, raw: Raw, chain: ClusterChain, needed: int) -> None:
        def add(kind: str, what: str) -> None:
            self.findings.add(kind, what, offset=item.offset, path=item.path)

        if short_is_bad(raw.raw11):
            add("name", f'the 8.3 name "{raw.short}" holds characters that are not allowed')
        if chain.trouble:
            kind = "loop" if chain.trouble.startswith("loops back") else "chain"
            add(kind, f"its chain {chain.trouble}")
        if raw.is_folder:
            if raw.size:
                add("size", f"a folder has a size of {raw.size:,}, expected 0")
            if not raw.cluster:
                add("chain", "a folder has no cluster")
        elif raw.cluster and not raw.size:
            add("size", f"it is empty, but has cluster {raw.cluster:,}")
        elif not chain.trouble and not chain.shared and chain.clusters != needed:
            add("size", f"{raw.size:,} bytes take {needed:,} clusters, its chain has {chain.clusters:,}")
        elif chain.trouble and chain.clusters < needed:
            add("size", f"{raw.size:,} bytes take {needed:,} clusters, {chain.clusters:,} can be followed")


def _below(folder: str, name: str) -> str:
    return f"{folder}/{name}" if folder else name
