"""A card that anybody may have made as the values a declared card comes to: what each file is, selection and files."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property

from pipeline.build.recipe import UNBUILT
from pipeline.card.contents import config_jobs
from pipeline.card.core_on_board import fields_of
from pipeline.card.select import Selection
from pipeline.device.folder import belongs
from pipeline.errors import Place
from pipeline.fat.names import fold
from pipeline.inspect.catalogue import DeclaredCard, core_folders, empty_card
from pipeline.model.content import CardFile, Content, Origin
from pipeline.model.manifest import Board, Card, Core, Manifest, Needs, Rights, Title, TitleRules, VolumeRequest
from pipeline.model.reading import Item, Reading

OF_TITLES = ("rom-file", "title-file")
"""Kinds of files that a title puts on a card."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FileOnCard:
    """A file of the card: ``sha256`` "" where its size said already that nobody knows it."""

    path: str
    size: int
    sha256: str = ""


@dataclass(frozen=True, kw_only=True)
class CardUnderTest:
    """A card, and what it is judged by. ``files``: of the card; ``known``: what the manifests put on cards for a board.

    ``read``: gives the bytes of a small file of the card, ``read_whole`` those of any, None where it is too large.
    ``reading``: None for a plain folder. ``size``: of the card, in bytes. ``shown``: what people call it. ``declared``:
    the cards it may be, one where its serial says which.
    """

    manifest: Manifest
    board: Board
    known: tuple[CardFile, ...]
    files: tuple[FileOnCard, ...]
    read: Callable[[str], bytes]
    read_whole: Callable[[str], bytes | None] = lambda path: None
    reading: Reading | None = None
    size: int = 0
    shown: str = ""
    declared: tuple[DeclaredCard, ...] = ()
    folders: tuple[str, ...] = ()

    @cached_property
    def by_path(self) -> Mapping[str, FileOnCard]:
        """The files by their path as FAT compares them."""
        return {fold(file.path): file for file in self.files}

    @cached_property
    def items(self) -> Mapping[str, Item]:
        """What was read of the volume, by path as it is there."""
        return {item.path: item for item in self.reading.items} if self.reading else {}

    @cached_property
    def with_content(self) -> Mapping[str, list[FileOnCard]]:
        """The files with each content, by SHA-256."""
        found: dict[str, list[FileOnCard]] = defaultdict(list)
        for file in self.files:
            if file.sha256:
                found[file.sha256].append(file)
        return dict(found)

    @cached_property
    def identified(self) -> DeclaredCard | None:
        """The declared card that the volume's serial is of."""
        return next((card for card in self.declared if card.is_identified), None)

    @cached_property
    def roles(self) -> Mapping[str, tuple[CardFile, ...]]:
        """What each file is, by its path; among several roles with the same bytes, those of the identified card.

        What belongs at the path and has these bytes, else what has these bytes, else what belongs at the path.
        """
        at_path: dict[str, list[CardFile]] = defaultdict(list)
        with_content: dict[str, list[CardFile]] = defaultdict(list)
        for role in (*self.known, *(file for card in self.declared for file in card.files)):
            at_path[fold(role.path)].append(role)
            with_content[role.content.sha256].append(role)
        files = self.identified.files if self.identified else ()
        mine = {(file.origin.kind, file.origin.owner) for file in files}
        roles = {}
        for file in self.files:
            at = at_path.get(fold(file.path), [])
            exact = [role for role in at if is_at(role, file)]
            found = exact or (with_content.get(file.sha256, []) if file.sha256 else []) or at[:1]
            roles[file.path] = tuple([role for role in found if (role.origin.kind, role.origin.owner) in mine] or found)
        return roles

    @cached_property
    def cores(self) -> tuple[Core, ...]:
        """The known cores whose bitstream is on the card, by content or by its place, by id."""
        on_card = self._owners("bitstream")
        return tuple(core for core in self.manifest.cores.values() if core.id in on_card)

    @cached_property
    def titles(self) -> tuple[Title, ...]:
        """The titles of which a file is on the card, by content or by its place, by id."""
        on_card = self._owners(*OF_TITLES)
        return tuple(title for title in self.manifest.titles.values() if title.id in on_card)

    @cached_property
    def unknown_bitstreams(self) -> tuple[tuple[str, str], ...]:
        """(Name of the core, path) of bitstreams where the board looks for them that belong to no known core."""
        bitstreams = {
            path for path, roles in self.roles.items() if any(role.origin.kind == "bitstream" for role in roles)
        }
        folders = core_folders(self.board, [file.path for file in self.files])
        return tuple((name, path) for name, path in folders if path not in bitstreams)

    def bitstreams(self, core: Core) -> list[str]:
        """Return the paths of the files that are, or stand for, a core's bitstream."""
        origin = Origin(kind="bitstream", owner=core.id)
        return [path for path, roles in self.roles.items() if any(role.origin == origin for role in roles)]

    def _owners(self, *kinds: str) -> set[str]:
        return {role.origin.owner for roles in self.roles.values() for role in roles if role.origin.kind in kinds}


def selection_of(test: CardUnderTest) -> Selection:
    """Return what a card comes to: its board, cores and titles; unknown cores and their files with what is known.

    The files in a core's folder for titles that nobody knows are those of a title of that core.
    """
    bits = test.reading.volume.fat_bits if test.reading else 0
    card = _card(test)
    unknown = tuple(_unknown_core(test, name, path) for name, path in test.unknown_bitstreams)
    titles = [title for title in test.titles if title.core in {core.id for core in test.cores}]
    titles += [_unknown_title(test, core) for core in test.cores]
    return Selection(
        card=card, board=test.board, cores=(*test.cores, *unknown), titles=tuple(titles), settings={}, fat_bits=bits
    )


def _card(test: CardUnderTest) -> Card:
    """Return the card as one that is declared: the identified one, else one that asks for nothing."""
    declared = test.identified.card if test.identified else empty_card(test.board, test.shown)
    if test.reading is None:
        return declared
    kind = f"fat{test.reading.volume.fat_bits}"
    volume = VolumeRequest(type=kind, size=test.size, label=test.reading.label, serial=None, timestamp=None)
    return replace(declared, volume=volume)


def files_of(test: CardUnderTest, selection: Selection) -> tuple[CardFile, ...]:
    """Return the files of the selection; an unknown one in a folder for titles of several cores comes once for each."""
    configs = config_kinds(test, selection)
    titles = {title.id for title in selection.titles}
    return tuple(
        CardFile(
            path=file.path,
            content=Content(sha256=file.sha256, size=file.size),
            placement=_placement(test, file),
            origin=origin,
            place=Place(file=test.shown, key=file.path),
        )
        for file in test.files
        for origin in _origins(test, file, configs, titles)
    )


def config_kinds(test: CardUnderTest, selection: Selection) -> dict[str, str]:
    """Return "menu" or "config" by the folded path of each config file: its bytes may be any, a build makes them."""
    jobs = [*config_jobs(replace(selection, cores=test.cores)), *(job for card in test.declared for job in card.jobs)]
    return {fold(setting.path): "config" for setting in test.board.settings.values()} | {
        fold(job.path): job.kind for job in jobs
    }


def _origins(test: CardUnderTest, file: FileOnCard, configs: Mapping[str, str], titles: set[str]) -> Iterator[Origin]:
    if kind := configs.get(fold(file.path)):
        yield Origin(kind=kind, owner=test.board.id)
        return
    roles = test.roles[file.path]
    for role in roles:
        is_of_title = role.origin.kind in OF_TITLES
        if (is_of_title and role.origin.owner in titles) or (not is_of_title and is_at(role, file)):
            yield role.origin
            return
    is_known = bool(roles) or belongs(file.path, test.identified.card.keep if test.identified else ())
    cores = [] if is_known else [core for core in test.cores if _is_below(file.path, titles_folder(test.board, core))]
    for core in cores:
        yield Origin(kind="title-file", owner=_unknown_title(test, core).id)
    if not cores:
        yield Origin(kind="card-file", owner="")


def is_at(role: CardFile, file: FileOnCard) -> bool:
    """Whether a file is what belongs at its path."""
    return fold(role.path) == fold(file.path) and role.content.sha256 in (file.sha256, UNBUILT)


def titles_folder(board: Board, core: Core) -> str:
    """Return the folder in which a board looks for the titles of a core."""
    return (core.titles.folder or board.title_folder).format_map(fields_of(core))


def _is_below(path: str, folder: str) -> bool:
    return fold(path.rpartition("/")[0] + "/").startswith(fold(folder.strip("/") + "/"))


def _placement(test: CardUnderTest, file: FileOnCard) -> str:
    return next((role.placement for role in test.roles[file.path] if is_at(role, file)), "anywhere")


def _unknown_core(test: CardUnderTest, name: str, path: str) -> Core:
    """Return a core of which only the bitstream is known."""
    file = test.by_path[fold(path)]
    return Core(
        id=path, file=test.shown, name=name, kind="", release="", folder=name, boards=(test.board.id,), tags=(),
        bitstream=Content(sha256=file.sha256, size=file.size), needs=Needs(), files=(), sums=(), configs=(),
        titles=TitleRules(), start=(), notes=(), rights=Rights(), source="", date="",
    )  # fmt: skip


def _unknown_title(test: CardUnderTest, core: Core) -> Title:
    """Return the title that the unknown files in a core's folder for titles are of."""
    return Title(
        id=f"unknown title of {core.id}", file=test.shown, name="", core=core.id, tags=(), folder="", chips={}, roms=(),
        files=(), orientation="", buttons=0, rights=Rights(), source="", date="",
    )  # fmt: skip
