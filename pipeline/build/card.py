"""What a card comes to: its selection, files, config files and plan, worked out from manifests and hashes."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from pipeline.build import config_files, rom
from pipeline.build.card_stations import stations_of
from pipeline.build.config_files import MadeConfig
from pipeline.build.rules import Judgement, judge
from pipeline.card.contents import Known, config_jobs, gather, with_configs
from pipeline.card.layout import lay_out
from pipeline.card.plan_text import plan_from_text
from pipeline.card.select import Selection, select
from pipeline.errors import ChangedError, CheckError, ManifestError, Place, Problem
from pipeline.fat.entries import EARLIEST, LATEST
from pipeline.fat.geometry import GeometryError, fit_volume
from pipeline.fat.names import fold
from pipeline.manifest.checks.sums import parse_sums
from pipeline.model.content import CardFile, Content, Found, Location, Origin
from pipeline.model.manifest import Card, Core, SumList
from pipeline.model.plan import Plan
from pipeline.sources.files.read import read_content
from pipeline.workspace.project import Project


class UnknownSizeError(CheckError):
    """A card cannot be laid out, since contents declared by hash alone were not found; the search says the rest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Copied:
    """A card's selection, the files that are copied onto it, and where those below the inputs lie, by SHA-256."""

    selection: Selection
    files: tuple[CardFile, ...]
    local: Mapping[str, Location]


@dataclass(frozen=True, slots=True, kw_only=True)
class Worked:
    """A card worked out to its files: copied ones and config files, every content known by size and hash.

    ``copied``: the files before any was changed or replaced by a config file. ``judgement``: what the rules say of it;
    its errors are raised only when the card is laid out.
    """

    selection: Selection
    copied: tuple[CardFile, ...]
    files: tuple[CardFile, ...]
    configs: tuple[MadeConfig, ...]
    local: Mapping[str, Location]
    timestamp: datetime
    timestamp_from: str
    judgement: Judgement


def copied(project: Project, card_id: str) -> Copied:
    """Return the files copied onto a card; sizes declared nowhere and not yet known stay None."""
    manifest = project.manifest
    selection = select(manifest, manifest.cards[card_id])
    holders: tuple[Card | Core, ...] = (selection.card, *selection.cores)
    own = [file for holder in holders for file in holder.files]
    own += [file for title in selection.titles for file in title.files]
    sums = [sums for owner in holders for sums in owner.sums]
    local: dict[str, Location] = {}
    known = Known(
        trees=_trees(project, (*selection.board.base, *(file.source_path for file in own if file.source_path)), local),
        sums={one.list_path: _sum_lines(project, one) for one in sums},
        sizes=_known_sizes(project, card_id) if sums else {},  # all other declarations give the size
        roms={(title.id, one.path): rom.made(project, title, one) for title in selection.titles for one in title.roms},
    )
    files = _with_kept(gather(selection, known), _kept(project, selection.card, local))
    return Copied(selection=selection, files=files, local=local)


def planned(project: Project, card_id: str, search: Callable[[], Found]) -> tuple[Worked, Plan]:
    """Return a card worked out, and its plan; kept until a search or a ROM file that is built changes what is known."""
    if card_id in project.worked:
        worked, laid_out, unbuilt = project.worked[card_id]
        if all(rom.reason(project, title) for title in unbuilt):
            return worked, laid_out
    worked = work_out(project, card_id, search)
    unbuilt = tuple({file.origin.owner for file in worked.files if file.content.sha256 == rom.UNBUILT})
    project.worked[card_id] = worked, plan(worked), unbuilt
    return project.worked[card_id][:2]


def work_out(project: Project, card_id: str, search: Callable[[], Found]) -> Worked:
    """Return a card's files with its config files made; raises ManifestError with every problem of either.

    ``search`` gives the search of the sources and is called only when a content from there must be read or sized.
    """
    copy = copied(project, card_id)
    if any(file.content.size is None for file in copy.files):
        search()
        copy = copied(project, card_id)
        unknown = [file for file in copy.files if file.content.size is None]
        if unknown:
            raise UnknownSizeError(
                Problem(file.place, f"{file.path} is in no source, and only its hash is declared: no size is known")
                for file in unknown
            )

    def read(file: CardFile) -> bytes:
        location = copy.local.get(file.content.sha256) or search().locations[file.content.sha256]
        try:
            return read_content(location, file.content)
        except ChangedError:
            project.index.forget()
            raise

    configs = config_files.make(config_jobs(copy.selection), copy.files, read)
    files = with_configs(copy.files, [(made.job, made.content, made.origin) for made in configs])
    timestamp, timestamp_from = _timestamp(copy.selection.card)
    return Worked(
        selection=copy.selection,
        copied=copy.files,
        files=files,
        configs=configs,
        local=copy.local,
        timestamp=timestamp,
        timestamp_from=timestamp_from,
        judgement=judge(copy.selection, files, stations_of(project, card_id)),
    )


def plan(worked: Worked) -> Plan:
    """Return the plan of a card; raises ManifestError with every rule that is broken and all that does not fit."""
    selection, card = worked.selection, worked.selection.card
    problems = list(worked.judgement.errors)
    request = card.volume
    try:
        volume = fit_volume(request.size, selection.fat_bits, partitioned=selection.board.partitioned)
    except GeometryError as error:
        problems.append(Problem(Place(file=card.file, key="volume.size"), str(error), error.hint))
        raise ManifestError(problems) from None
    try:
        laid_out = lay_out(
            card.id,
            worked.files,
            volume,
            label=request.label,
            label_entry=selection.board.label_entry,
            serial=_serial(card),
            timestamp=worked.timestamp,
            where=Place(file=card.file, key="volume.size"),
        )
    except ManifestError as error:
        raise ManifestError((*problems, *error.problems)) from None
    if problems:
        raise ManifestError(problems)
    return laid_out


def _kept(project: Project, card: Card, local: dict[str, Location]) -> tuple[CardFile, ...]:
    """Return the files the user made on this card before, and note in ``local`` where each lies."""
    path = f"kept/{card.id}"
    if not card.keep or not (project.inputs / path).is_dir():
        return ()
    return tuple(
        CardFile(
            path=name,
            content=content,
            placement="anywhere",
            origin=Origin(kind="card-file", owner=card.id),
            place=Place(card.file, key="keep"),
        )
        for name, content in _trees(project, (path,), local)[path]
    )


def _with_kept(files: tuple[CardFile, ...], kept: tuple[CardFile, ...]) -> tuple[CardFile, ...]:
    """Return the files of a card; what the user made takes the place of what a manifest puts there."""
    theirs = {fold(file.path) for file in kept}
    return (*(file for file in files if fold(file.path) not in theirs), *kept)


def _trees(
    project: Project, paths: tuple[str, ...], local: dict[str, Location]
) -> dict[str, tuple[tuple[str, Content], ...]]:
    """Return the contents of each own path, and note in ``local`` where each of them lies."""
    trees = {}
    for path in dict.fromkeys(paths):
        contents = project.tree_contents(path)
        local.update({content.sha256: location for _, location, content in contents})
        trees[path] = tuple((name, content) for name, _, content in contents)
    return trees


def _sum_lines(project: Project, sums: SumList) -> tuple[tuple[str, str], ...]:
    path = project.inputs / sums.list_path
    return parse_sums(path.read_text(encoding="utf-8"), project.shown(path))


def _known_sizes(project: Project, card_id: str) -> dict[str, int]:
    """Return sizes by SHA-256 from the last search, else from the card's last plan."""
    if project.search:
        return {sha256: content.size or 0 for sha256, content in project.search.contents.items()}
    try:
        last = plan_from_text((project.card_folder(card_id) / "plan.json").read_text(encoding="utf-8"))
    except (FileNotFoundError, ValueError):
        return {}
    return {entry.sha256: entry.size for entry in last.entries if entry.sha256}


def _timestamp(card: Card) -> tuple[datetime, str]:
    """Return the card's timestamp and who gave it: the card, SOURCE_DATE_EPOCH, or the default.

    Even seconds, as FAT stores steps of two; rounded down. Source: SOURCE_DATE_EPOCH specification, revision 1.1.
    """
    moment, source = card.volume.timestamp, "card"
    if moment is None:
        text = os.environ.get("SOURCE_DATE_EPOCH")
        moment, source = (EARLIEST, "default") if text is None else (_from_epoch(text), "SOURCE_DATE_EPOCH")
        moment = min(max(moment, EARLIEST), LATEST)
    return moment.replace(second=moment.second & ~1, microsecond=0), source


def _from_epoch(text: str) -> datetime:
    if not text.isascii() or not text.isdigit():
        raise ManifestError.one(
            f'SOURCE_DATE_EPOCH is "{text}", expected whole seconds since 1970-01-01 UTC',
            "set it to digits only, or unset it",
        )
    try:
        return datetime.fromtimestamp(int(text), UTC).replace(tzinfo=None)
    except (OverflowError, ValueError, OSError):
        return LATEST


def _serial(card: Card) -> int:
    """Return the volume serial: the card's own, else the first 32 bits of the SHA-256 of its id."""
    if card.volume.serial is not None:
        return card.volume.serial
    return int.from_bytes(hashlib.sha256(card.id.encode()).digest()[:4], "big")
