"""The file allocation table as read: chains followed in runs, each cluster once.

Source: Microsoft FAT32 File System Specification 1.03 (2000), "FAT Data Structure".
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from operator import ne

from pipeline.model.plan import SECTOR
from pipeline.model.text import counted
from pipeline.volume.boot import Boot
from pipeline.volume.source import Findings, PaddedReader

CHUNK = 3 << 18
"""Bytes read at a time: a multiple of 3, so that two FAT12 entries are never cut."""

MOST_CLUSTERS = 1 << 25
"""Clusters looked at: 1 TiB in clusters of 32 KiB. More would not fit the memory this reader promises to stay in."""

SWAPPED = array("H", b"\1\0")[0] != 1
"""Whether this machine's numbers have the other byte order than FAT's."""

LOW_NIBBLE = bytes(byte & 0x0F for byte in range(256))


@dataclass(frozen=True, slots=True)
class ClusterChain:
    """A chain as far as it can be followed. ``trouble``: why it ended before its end mark, "" if it did not.

    ``shared``: the first cluster that another chain has already, 0 for none.
    """

    runs: tuple[tuple[int, int], ...]
    trouble: str = ""
    shared: int = 0

    @property
    def clusters(self) -> int:
        """How many."""
        return sum(count for _, count in self.runs)


@dataclass(slots=True)
class Table:
    """One FAT. ``values``: an entry a cluster, and one 0 behind them. ``used``: 1 for each cluster some chain has.

    ``steps``: clusters that may still be followed a second time, and ``pieces``: runs that may still be kept; both
    bound what a volume made to be slow can cost.
    """

    values: array[int]
    bits: int
    used: bytearray = field(default_factory=bytearray)
    steps: int = 0
    pieces: int = 400_000

    def __post_init__(self) -> None:
        self.used = bytearray(len(self.values))
        self.steps = 4 * len(self.values)

    @property
    def limit(self) -> int:
        """The first number that is no cluster."""
        return len(self.values) - 1

    @property
    def bad(self) -> int:
        """The value of a bad cluster; all above it end a chain."""
        return {12: 0xFF7, 16: 0xFFF7, 32: 0x0FFFFFF7}[self.bits]

    def free(self) -> int:
        """Return how many clusters are free."""
        return self.values.count(0) - 1 - sum(not value for value in self.values[:2])

    def follow(self, first: int, most: int | None = None) -> ClusterChain:
        """Return the chain that begins with a cluster, and take its clusters.

        Where it meets a cluster that another chain has, it goes on to ``most`` clusters in all, or ends if that is
        None.
        """
        runs: list[tuple[int, int]] = []
        at, count, shared = first, 0, 0
        while True:
            if not 2 <= at < self.limit:
                return ClusterChain(
                    tuple(runs), f"points to cluster {at:,}; the last cluster is {self.limit - 1:,}", shared
                )
            if not shared and self.used[at]:
                own = any(start <= at < start + length for start, length in runs)
                if own or most is None:
                    return ClusterChain(tuple(runs), f"loops back to cluster {at:,}" if own else "", 0 if own else at)
                shared = at
            stop = self.limit
            if shared:
                stop = min(stop, at + min((most or 0) - count, self.steps))
                if stop <= at:
                    return ClusterChain(tuple(runs), "", shared)
            end, value = self._run(at, stop, rescan=bool(shared))
            self.used[at:end] = b"\1" * (end - at)
            if shared:
                self.steps -= end - at
            self.pieces -= _extend(runs, at, end)
            count += end - at
            if (trouble := self._end(end, value)) is not None:
                return ClusterChain(tuple(runs), trouble, shared)
            if self.pieces < 0:
                return ClusterChain(tuple(runs), "has more pieces than are followed", shared)
            at = value

    def _run(self, first: int, stop: int, *, rescan: bool) -> tuple[int, int]:
        """Return the end of the run of clusters from ``first`` up to ``stop``, and the entry of its last one.

        It ends before a cluster that a chain has already, unless it is followed ``again``: so each cluster is looked
        at once, and a second time only at the cost of ``steps``. A cluster that is itself marked free or bad is not
        in the chain.
        """
        values, used = self.values, self.used
        end = first + 1
        value = values[first]
        while value == end and end < stop and (rescan or not used[end]):
            value = values[end]
            end += 1
        return (end - 1, value) if value in (0, self.bad) else (end, value)

    def _end(self, end: int, value: int) -> str | None:
        """Return "" at the end of a chain, what is wrong where it breaks, None where it goes on."""
        if value > self.bad:
            return ""
        if value == 0:
            return f"runs into cluster {end:,}, which is free"
        return f"runs into cluster {end:,}, which is marked bad" if value == self.bad else None


def _extend(runs: list[tuple[int, int]], start: int, end: int) -> int:
    """Add a run, joined to the last one where it continues it; return how many were added."""
    if end <= start:
        return 0
    if runs and sum(runs[-1]) == start:
        runs[-1] = runs[-1][0], end - runs[-1][0]
        return 0
    runs.append((start, end - start))
    return 1


def read_table(source: PaddedReader, offset: int, boot: Boot, findings: Findings) -> Table:
    """Return the FAT in use, compared with its copies; ``offset``: of the first FAT in bytes.

    That is the active one where they do not mirror each other, else the first whose first entry is right.
    """
    wanted = boot.clusters + 2
    if boot.clusters > MOST_CLUSTERS:
        what = f"{boot.clusters:,} clusters; only the first {MOST_CLUSTERS:,} are read"
        findings.add("cluster count", what, offset=offset)
        wanted = MOST_CLUSTERS + 2
    fat_bytes = boot.fat_sectors * SECTOR
    length = min(-(-wanted * boot.fat_bits // 8), fat_bytes)
    readable = max(0, min(length, source.size - offset))
    copies = [offset + number * fat_bytes for number in range(boot.fats)]
    if boot.active is not None:
        chosen = copies[boot.active % boot.fats]
    else:
        good = [at for at in copies if _first_is_right(source, at, boot)]
        chosen = (good or copies)[0]
        for number, at in enumerate(copies[1:], start=2):
            _compare(source, copies[0], at, number, readable, findings)
    entries = min(wanted, readable * 8 // boot.fat_bits)
    table = Table(_load(source, chosen, readable, entries, boot.fat_bits), boot.fat_bits)
    _check_first(table, chosen, boot, findings)
    return table


def _first_is_right(source: PaddedReader, at: int, boot: Boot) -> bool:
    width = {12: b"\xff", 16: b"\xff", 32: b"\xff\xff"}[boot.fat_bits]
    raw = source.read(at, 4)
    return raw[0] == boot.media and raw[1 : 1 + len(width)] == width


def _compare(source: PaddedReader, first_fat: int, copy: int, number: int, length: int, findings: Findings) -> None:
    """Find where a copy of the FAT differs from the first."""
    count, first = 0, -1
    for done in range(0, length, CHUNK):
        size = min(CHUNK, length - done)
        a, b = source.read(first_fat + done, size), source.read(copy + done, size)
        if a != b:
            count += sum(map(ne, a, b))
            if first < 0:
                first = done + next(at for at in range(size) if a[at] != b[at])
    if count:
        what = f"FAT {number} differs from FAT 1 in {counted(count, 'byte')}, the first at offset {first:,}"
        findings.add("FATs differ", what, offset=copy + first)


def _load(source: PaddedReader, offset: int, length: int, entries: int, bits: int) -> array[int]:
    """Return the entries as numbers, and one 0 behind them."""
    values = array("I" if bits == 32 else "H")
    for done in range(0, length, CHUNK):
        raw = source.read(offset + done, min(CHUNK, length - done))
        if bits == 12:
            values.extend(_unpack_12(raw))
            continue
        raw = raw[: len(raw) // values.itemsize * values.itemsize]
        if bits == 32 and max(raw[3::4], default=0) > 15:
            masked = bytearray(raw)
            masked[3::4] = raw[3::4].translate(LOW_NIBBLE)
            raw = bytes(masked)
        part = array(values.typecode, raw)
        if SWAPPED:
            part.byteswap()
        values.extend(part)
    del values[max(entries, 0) :]
    values.append(0)
    return values


def _unpack_12(raw: bytes) -> list[int]:
    """Return 12-bit entries: two in three bytes, the first in the low bits."""
    raw = raw + bytes(-len(raw) % 3)
    values = []
    for low, middle, high in zip(raw[::3], raw[1::3], raw[2::3], strict=True):
        values += [low | (middle & 15) << 8, middle >> 4 | high << 4]
    return values


def _check_first(table: Table, offset: int, boot: Boot, findings: Findings) -> None:
    """Find what is wrong with the two reserved entries."""
    if table.limit < 2:
        findings.add("truncated", "the FAT lies beyond the end", offset=offset)
        return
    marker = {12: 0xF00, 16: 0xFF00, 32: 0x0FFFFF00}[boot.fat_bits]
    if table.values[0] != marker | boot.media:
        what = f"the first entry is {table.values[0]:X}, expected {marker | boot.media:X} after the media byte"
        findings.add("media byte", what, offset=offset)
    clean, sound = {12: (0, 0), 16: (0x8000, 0x4000), 32: (0x08000000, 0x04000000)}[boot.fat_bits]
    if clean and not table.values[1] & clean:
        findings.add("dirty", "the FAT marks the volume as not unmounted", offset=offset + boot.fat_bits // 8)
    if sound and not table.values[1] & sound:
        findings.add(
            "hardware error",
            "the FAT marks read or write errors",
            offset=offset + boot.fat_bits // 8,
        )
