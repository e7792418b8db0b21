"""The lists of a sheet: what is on the card with its rights, its files, and where facts are from."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from pipeline.model.finished import FinishedCard
from pipeline.model.manifest import Board, Card, Core, Rights, Title
from pipeline.model.plan import Entry
from pipeline.sheet.owners import owner_of

Holder = Board | Core | Title | Card

FOLDED_ABOVE = 40
"""Files of a card that are listed openly; a longer list is folded, folder by folder."""

LISTED = 2_000
"""Files of a card that are listed at all: a page that lists more is slow to open, and the record names every one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ContentGroup:
    """Something on the card: the board's own files, a core, titles of a core with equal rights, or the card's own."""

    kind: str
    names: tuple[str, ...]
    detail: str
    files: int
    size: int
    rights: Rights


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A file with its number in the picture of the card."""

    number: int
    entry: Entry
    kind: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """The files of one folder of the root, or of the root itself (folder "")."""

    folder: str
    rows: tuple[Row, ...]

    @property
    def size(self) -> int:
        """Bytes of all files."""
        return sum(row.entry.size for row in self.rows)


@dataclass(frozen=True, slots=True, kw_only=True)
class Total:
    """How many files a folder of the root holds, or the root itself (folder ""), and their bytes."""

    folder: str
    files: int
    size: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """Where what is said of something comes from, and when it was true. ``newer``: the release came out later."""

    about: str
    source: str
    date: str
    newer: bool = False


def parts(finished: FinishedCard) -> tuple[ContentGroup, ...]:
    """Return what is on the card: the board's files, each core and its titles, and the card's own."""
    return tuple(_parts(finished))


def groups(rows: tuple[Row, ...]) -> tuple[Group, ...]:
    """Return the files folder by folder, in the order in which the folders come first on the card."""
    by_folder: dict[str, list[Row]] = {}
    for row in rows:
        by_folder.setdefault(_top(row.entry), []).append(row)
    return tuple(Group(folder=folder, rows=tuple(rows)) for folder, rows in by_folder.items())


def totals(files: Iterable[Entry]) -> tuple[Total, ...]:
    """Return the same of files that are not listed: how many there are, and their bytes."""
    found: dict[str, tuple[int, int]] = {}
    for entry in files:
        folder = _top(entry)
        count, size = found.get(folder, (0, 0))
        found[folder] = count + 1, size + entry.size
    return tuple(Total(folder=folder, files=count, size=size) for folder, (count, size) in found.items())


def _top(entry: Entry) -> str:
    """Return the folder of the root that a file lies in, "" for the root itself."""
    folder, below, _ = entry.path.partition("/")
    return folder if below else ""


def facts(finished: FinishedCard) -> tuple[Fact, ...]:
    """Return where the facts are from, of all that states it."""
    facts_stated = [Fact(about=finished.board.name, source=finished.board.source, date=finished.board.date)]
    facts_stated += [
        Fact(about=core.name, source=core.source, date=core.date, newer=newer(core.release_date, core.date))
        for core in finished.cores
    ]
    facts_stated += [Fact(about=title.name, source=title.source, date=title.date) for title in finished.titles]
    facts_stated += [
        Fact(about=station.name, source=station.source, date=station.date) for station in finished.stations
    ]
    return tuple(fact for fact in facts_stated if fact.source or fact.date or fact.newer)


def newer(release: str, date: str) -> bool:
    """Whether a release came out after the facts were true, as far as both dates go ("2026", "2026-05-01")."""
    shared = min(len(release), len(date))
    return release[:shared] > date[:shared]


def _parts(finished: FinishedCard) -> Iterator[ContentGroup]:
    totals = _held(finished)

    def part(kind: str, held_by: Sequence[Holder], detail: str) -> ContentGroup:
        files, sizes = zip(*(totals.get((kind, holder.id), (0, 0)) for holder in held_by), strict=True)
        names = tuple(holder.name for holder in held_by)
        return ContentGroup(
            kind=kind, names=names, detail=detail, files=sum(files), size=sum(sizes), rights=held_by[0].rights
        )

    yield part("board", [finished.board], "system files of the board")
    for core in finished.cores:
        yield part("core", [core], f"{core.kind}, release {core.release}")
        for alike in _equal_rights(title for title in finished.titles if title.core == core.id):
            yield part("title", alike, f"for {core.name}")
    if ("card", finished.card.id) in totals:
        yield part("card", [finished.card], "files of the card's own")


def _equal_rights(titles: Iterable[Title]) -> Iterable[list[Title]]:
    by_rights: dict[Rights, list[Title]] = {}
    for title in titles:
        by_rights.setdefault(title.rights, []).append(title)
    return by_rights.values()


def _held(finished: FinishedCard) -> Mapping[tuple[str, str], tuple[int, int]]:
    """Return how many files and bytes each owner has on the card."""
    core_ids = {core.id for core in finished.cores}
    totals: dict[tuple[str, str], tuple[int, int]] = {}
    for file in finished.files:
        owner = owner_of(file, core_ids)
        files, size = totals.get(owner, (0, 0))
        totals[owner] = files + 1, size + (file.content.size or 0)
    return totals
