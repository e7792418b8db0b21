"""A card under construction: each part of it a value, worked out once and in order."""

from __future__ import annotations

import hashlib
from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path

from pipeline.build.config_files import MadeConfig, make
from pipeline.build.inputs import Copied, Inputs
from pipeline.build.rules import Judgement, judge, judged
from pipeline.card.contents import changed_files, config_jobs, title_folder, with_configs
from pipeline.card.core_on_board import join
from pipeline.card.layout import lay_out
from pipeline.card.plan_text import plan_lines
from pipeline.card.select import Selection
from pipeline.errors import ChangedError, CheckError, ManifestError, Place, Problem
from pipeline.fat.entries import EARLIEST, LATEST
from pipeline.fat.geometry import GeometryError, fit_volume
from pipeline.file_digest import sha256_of_file
from pipeline.model.content import CardFile, Content, Location
from pipeline.model.finished import FinishedCard, Proven
from pipeline.model.manifest import Card, Station
from pipeline.model.matrix import Outlook
from pipeline.model.plan import Plan
from pipeline.model.ranges import RomMap
from pipeline.record.document import record_text, sums_of
from pipeline.roms.map import rom_map
from pipeline.sources.files.read import read_content
from pipeline.stations.matrix import matrix
from pipeline.workspace.files import read_plan
from pipeline.workspace.stamp import digest, read_inputs
from pipeline.workspace.workspace import PROGRAM, Workspace


class UnknownSizeError(CheckError):
    """A card cannot be laid out, since contents declared by hash alone were not found; the search says the rest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Timestamp:
    """When all entries of the card say they were made, and who gave it: "card", "SOURCE_DATE_EPOCH" or "default"."""

    moment: datetime
    given_by: str


class CardBuild:
    """One card, born with the ROM files of its titles: selection, files, config files, plan, and the finished card.

    ``rom_contents``: size and SHA-256 of the ROM files that declare none, by title id and place; without those
    that are not built yet. Each property raises ManifestError with all that is wrong with it.
    """

    def __init__(self, inputs: Inputs, card: Card, rom_contents: Mapping[tuple[str, Place], Content]) -> None:
        self.inputs = inputs
        self.card = card
        self.rom_contents = rom_contents
        self._finished: tuple[dict[str, object], FinishedCard] | None = None
        self._record_hashes: tuple[dict[str, object], Mapping[str, str]] | None = None

    @property
    def id(self) -> str:
        """The card's id."""
        return self.card.id

    @property
    def workspace(self) -> Workspace:
        """Where it is built."""
        return self.inputs.workspace

    @property
    def folder(self) -> Path:
        """Where its image, plan, record and sheet are built."""
        return self.workspace.card_folder(self.id)

    @cached_property
    def _copied(self) -> Copied:
        return self.inputs.copied(self.card)

    @property
    def image_path(self) -> Path:
        """Where the image takes its place once it was read back."""
        return self.folder / "card.img"

    @property
    def plan_path(self) -> Path:
        """Where the text of the plan is."""
        return self.folder / "plan.json"

    def config_path(self, made: MadeConfig) -> Path:
        """Return where a config file is built."""
        return self.workspace.config_folder(self.id) / made.job.path

    @property
    def selection(self) -> Selection:
        """Board, cores and titles, and everything that is derived from them."""
        return self._copied.selection

    @property
    def local(self) -> dict[str, Location]:
        """Where contents below the inputs lie, by SHA-256."""
        return self._copied.local

    @cached_property
    def copied_files(self) -> tuple[CardFile, ...]:
        """The files that are copied, every size known; ROM files that are not built yet have ``UNBUILT``."""
        files = [self._with_rom_content(file) for file in self._copied.files]
        unknown = [file for file in files if file.content.size is None]
        if not unknown:
            return tuple(files)
        sizes = self._last_sizes()
        if not sizes.keys() >= {file.content.sha256 for file in unknown}:
            sizes = {sha256: content.size or 0 for sha256, content in self.inputs.search.contents.items()}
        missing = [file for file in unknown if file.content.sha256 not in sizes]
        if missing:
            raise UnknownSizeError(
                Problem(file.place, f"{file.path} is not in any source, and its size is not declared")
                for file in missing
            )
        return tuple(
            replace(file, content=replace(file.content, size=sizes[file.content.sha256]))
            if file.content.size is None
            else file
            for file in files
        )

    @cached_property
    def configs(self) -> tuple[MadeConfig, ...]:
        """The config files, written or changed."""
        return make(config_jobs(self.selection), self.copied_files, self.read)

    @cached_property
    def files(self) -> tuple[CardFile, ...]:
        """Every file of the card, config files among them."""
        return with_configs(self.copied_files, [(made.job, made.content, made.origin) for made in self.configs])

    @cached_property
    def stations(self) -> tuple[Station, ...]:
        """The stations the card names, in its order."""
        return tuple(self.inputs.manifest.stations[station] for station in self.card.stations)

    @cached_property
    def outlooks(self) -> tuple[Outlook, ...]:
        """How each core and title fares at each station."""
        selection = self.selection
        return matrix(self.stations, selection.board, selection.cores, selection.titles)

    @cached_property
    def judgement(self) -> Judgement:
        """What the rules say of the card."""
        files = self.files  # raises with everything that is wrong with config files
        changed = changed_files(config_jobs(self.selection), self.copied_files)
        return judge(self.selection, files, changed, self.stations)

    @cached_property
    def timestamp(self) -> Timestamp:
        """The timestamp of every entry: even seconds, as FAT stores steps of two, rounded down."""
        return timestamp_of(self.card, self.inputs.epoch)

    @cached_property
    def plan(self) -> Plan:
        """The finished layout; raises ManifestError with every rule that is broken and all that does not fit."""
        problems = list(self.judgement.errors)
        selection, request = self.selection, self.card.volume
        where = Place(file=self.card.file, key="volume.size")
        try:
            volume = fit_volume(request.size, selection.fat_bits, partitioned=selection.board.partitioned)
            laid_out = lay_out(
                self.id,
                self.files,
                volume,
                label=request.label,
                label_entry=selection.board.label_entry,
                serial=serial_of(self.card),
                timestamp=self.timestamp.moment,
                where=where,
                folders=self._copied.folders,
            )
        except GeometryError as error:
            raise ManifestError([*problems, Problem(where, str(error), error.hint)]) from None
        except ManifestError as error:
            raise ManifestError([*problems, *error.problems]) from None
        if problems:
            raise ManifestError(problems)
        return laid_out

    @cached_property
    def plan_sha256(self) -> str:
        """The SHA-256 of the plan's text."""
        sha256 = hashlib.sha256()
        for line in plan_lines(self.plan):
            sha256.update(line.encode())
        return sha256.hexdigest()

    @property
    def maps(self) -> tuple[RomMap, ...]:
        """Where each byte of each ROM file is from."""
        return tuple(
            RomMap(
                title=title.id,
                path=rom.path,
                card_path=join(title_folder(self.selection, title), rom.path),
                size=rom.size,
                ranges=rom_map(title, rom),
            )
            for title in self.selection.titles
            for rom in title.roms
        )

    @cached_property
    def manifest_digests(self) -> Mapping[str, str]:
        """A digest of each manifest of the card but its own, by what it is called, in the card's order."""
        selection = self.selection
        return {
            f"board {selection.board.id}": digest(selection.board),
            **{f"core {core.id}": digest(core) for core in selection.cores},
            **{f"title {title.id}": digest(title) for title in selection.titles},
            **{f"station {station.id}": digest(station) for station in self.stations},
        }

    def finished(self, proven: Proven) -> FinishedCard:
        """Return everything there is to say of the card whose image was proven."""
        made_from = asdict(proven)  # problems are equal whatever their rule, and the record names it
        if self._finished is None or self._finished[0] != made_from:
            self._finished = made_from, self._finished_now(proven)
        return self._finished[1]

    def forget_finished(self) -> None:
        """Let go of what record and sheet were written from, some 3 KiB a title; it is made again if asked for."""
        self._finished = None

    def _finished_now(self, proven: Proven) -> FinishedCard:
        selection, rules = self.selection, self.judgement
        later = judged(selection, proven.findings)
        portable = self.workspace.portable
        return FinishedCard(
            card=self.card,
            board=selection.board,
            cores=selection.cores,
            titles=selection.titles,
            settings=selection.settings,
            files=tuple(self._files_with_recipes()),
            plan=self.plan,
            plan_sha256=self.plan_sha256,
            proof=proven.proof,
            timestamp_from=self.timestamp.given_by,
            made_by=PROGRAM,
            stations=self.stations,
            outlooks=self.outlooks,
            warnings=tuple(map(portable, (*rules.warnings, *later.warnings))),
            silenced=tuple(
                replace(found, problem=portable(found.problem)) for found in (*rules.silenced, *later.silenced)
            ),
            maps=self.maps,
        )

    def _files_with_recipes(self) -> Iterator[CardFile]:
        """Yield the files, ROM files with their chips and steps; only the record needs these, and they are large."""
        origins = {
            (title.id, title.place(rom.key)): origin
            for title in self.selection.titles
            for rom, origin in zip(title.roms, self.inputs.recipe(title).origins, strict=True)
        }
        for file in self.files:
            is_rom = file.origin.kind == "rom-file"
            yield replace(file, origin=origins[file.origin.owner, file.place]) if is_rom else file

    def record_parts(self, proven: Proven) -> Iterator[bytes]:
        """Yield the record's text in parts; when all were taken, its SHA-256 is known."""
        finished, sha256 = self.finished(proven), hashlib.sha256()
        for part in record_text(finished):
            data = part.encode()
            sha256.update(data)
            yield data
        sums = hashlib.sha256(sums_of(finished, sha256.hexdigest()))
        self._record_hashes = asdict(proven), {"record.json": sha256.hexdigest(), "SHA256SUMS": sums.hexdigest()}

    def record_hashes(self, proven: Proven) -> Mapping[str, str]:
        """Return the SHA-256 of the record and its checksum list as they should be, by file name."""
        if self._record_hashes is None or self._record_hashes[0] != asdict(proven):
            deque(self.record_parts(proven), maxlen=0)
        return self._record_hashes[1] if self._record_hashes else {}

    def rom_paths(self) -> dict[str, Path]:
        """Return where each ROM file of the card is built, by SHA-256; not those whose place a kept file takes."""
        contents = {
            (file.origin.owner, file.place): file.content.sha256
            for file in self.copied_files
            if file.origin.kind == "rom-file"
        }
        return {
            sha256: self.workspace.rom_folder(title.id) / rom.path
            for title in self.selection.titles
            for rom in title.roms
            if (sha256 := contents.get((title.id, title.place(rom.key))))
        }

    def read(self, file: CardFile) -> bytes:
        """Return the bytes of a file that is copied."""
        location = self.local.get(file.content.sha256) or self.inputs.search.locations[file.content.sha256]
        try:
            return read_content(location, file.content)
        except ChangedError:
            self.workspace.index.forget()
            raise

    def _with_rom_content(self, file: CardFile) -> CardFile:
        content = self.rom_contents.get((file.origin.owner, file.place))
        return replace(file, content=content) if content and file.origin.kind == "rom-file" else file

    def _last_sizes(self) -> dict[str, int]:
        """Return sizes by SHA-256 from the plan of the last image, if it is still the one its stamp names."""
        try:
            if read_inputs(self.workspace.stamp("image", self.id)).get("the plan") != sha256_of_file(self.plan_path):
                return {}
            return {entry.sha256: entry.size for entry in read_plan(self.plan_path).entries if entry.sha256}
        except (OSError, ValueError):
            return {}


def timestamp_of(card: Card, epoch: str | None) -> Timestamp:
    """Return the card's timestamp: its own, else SOURCE_DATE_EPOCH, else the first that FAT can hold.

    Source: SOURCE_DATE_EPOCH specification, revision 1.1.
    """
    moment, given_by = card.volume.timestamp, "card"
    if moment is None:
        moment, given_by = (EARLIEST, "default") if epoch is None else (_from_epoch(epoch), "SOURCE_DATE_EPOCH")
        moment = min(max(moment, EARLIEST), LATEST)
    return Timestamp(moment=moment.replace(second=moment.second & ~1, microsecond=0), given_by=given_by)


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


def serial_of(card: Card) -> int:
    """Return the volume serial: the card's own, else the first 32 bits of the SHA-256 of its id."""
    if card.volume.serial is not None:
        return card.volume.serial
    return int.from_bytes(hashlib.sha256(card.id.encode()).digest()[:4], "big")
