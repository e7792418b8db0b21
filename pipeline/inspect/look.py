"""What a card in the hand is: its volume, its health, its board, and which known contents lie on it."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import islice

from pipeline.build.build import Build
from pipeline.build.inputs import Inputs
from pipeline.device.folder import is_litter
from pipeline.errors import ManifestError
from pipeline.fat.names import fold
from pipeline.image.opened import read_at
from pipeline.inspect.card_under_test import CardUnderTest, FileOnCard, is_at
from pipeline.inspect.catalogue import Fit, best_board, catalogue, declared_cards
from pipeline.inspect.conformance import Conformance, judge_card, what_of
from pipeline.inspect.open_target import PART, OpenTarget, digest
from pipeline.model.content import CardFile, Origin
from pipeline.model.manifest import Board, Manifest
from pipeline.model.plan import SECTOR
from pipeline.model.reading import Reading
from pipeline.record.snapshot import File
from pipeline.workspace.progress import progress

LARGEST_TEXT = 1 << 20
"""Bytes of a config file; more of one is not looked at."""

LARGEST_BITSTREAM = 256 << 20
"""Bytes; a larger file is no bitstream (several times what the largest FPGAs take, from memory)."""

MOST_ROLES = 4
"""Roles that are shown of one content."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownFile:
    """A file of the card that the manifests know: what it is, and where it would belong on a card for the board.

    ``is_also``: the same content belongs at the file's own path too.
    """

    path: str
    what: str
    belongs: str
    is_also: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What was seen. ``board``: None where none fits or the manifests cannot be read; ``why`` says how it was chosen.

    ``files``: all but litter and folders. ``card``: the id of the declared card whose serial the volume has, else "".
    ``unknown_cores``: bitstreams in a core's place that belong to no known core. ``verdict``: None without a board.
    """

    named: OpenTarget
    files: tuple[FileOnCard, ...]
    litter: tuple[str, ...]
    board: Board | None
    why: str
    card: str = ""
    cores: tuple[str, ...] = ()
    titles: tuple[str, ...] = ()
    unknown_cores: tuple[str, ...] = ()
    verdict: Conformance | None = None
    known: tuple[KnownFile, ...] = ()

    @property
    def reading(self) -> Reading | None:
        """The volume, None for a plain folder."""
        return self.named.reading

    @property
    def is_sound(self) -> bool:
        """Whether nothing is wrong with it."""
        broken = self.verdict.judgement.errors if self.verdict else ()
        return not broken and not (self.reading and self.reading.findings)


def look(build: Build, named: OpenTarget, board_id: str = "") -> Look:
    """Return what there is to say of a card; its files are hashed where some manifest knows their size.

    A board that was asked for must be known, else ManifestError; without one the manifests may be missing altogether.
    """
    plain = [file for file in named.side.files.values() if not file.is_folder]
    litter = tuple(path for path in named.side.files if is_litter(path))
    files = [file for file in plain if not is_litter(file.path)]
    inputs = build.inputs
    board, why = _board(inputs, [file.path for file in files], board_id)
    if board is None:
        unhashed = tuple(FileOnCard(path=file.path, size=file.size) for file in files)
        return Look(named=named, files=unhashed, litter=litter, board=None, why=why)
    known = catalogue(build, board)
    declared = declared_cards(build, board, named.reading.serial if named.reading else None)
    chips = chips_of(inputs.manifest)
    roles = [*known, *(file for card in declared for file in card.files if file.origin.kind == "card-file"), *chips]
    test = CardUnderTest(
        manifest=inputs.manifest,
        board=board,
        known=known,
        files=hashed(named, files, _sizes([*roles])),
        read=lambda path: small_file(named, path),
        read_whole=lambda path: whole_file(named, path),
        reading=named.reading,
        size=card_size(named),
        shown=named.shown,
        declared=declared,
        folders=tuple(path for path, file in named.side.files.items() if file.is_folder and not is_litter(path)),
    )
    return Look(
        named=named,
        files=test.files,
        litter=litter,
        board=board,
        why=why,
        card=test.identified.card.id if test.identified else "",
        cores=tuple(core.id for core in test.cores),
        titles=tuple(title.id for title in test.titles),
        unknown_cores=tuple(path for _, path in test.unknown_bitstreams),
        verdict=judge_card(test),
        known=tuple(_known(test, roles)),
    )


def card_size(named: OpenTarget) -> int:
    """Return the bytes of a card: of an image all, of a disk those up to the end of its volume, 0 of a folder."""
    if named.image is None or named.reading is None:
        return 0
    volume = named.reading.volume
    is_disk = stat.S_ISBLK(os.fstat(named.image).st_mode)
    return (volume.start + volume.sectors) * SECTOR if is_disk else named.size


def _board(inputs: Inputs, paths: Iterable[str], asked: str) -> tuple[Board | None, str]:
    try:
        boards = inputs.manifest.boards
    except ManifestError as error:
        if asked:
            raise
        return None, f"no board: {error.problems[0].place}: {error.problems[0].what}"
    if asked:
        return boards[asked], "as asked"
    fit = best_board(inputs.manifest, paths)
    return (boards[fit.board], _guessed(fit)) if fit else (None, "unknown: the folders of no board are on it")


def _guessed(fit: Fit) -> str:
    return f"best match ({fit.places} of its paths exist)"


def small_file(named: OpenTarget, path: str) -> bytes:
    """Return the bytes of a config file, no more than one may have."""
    found = bytearray()
    for part in named.parts(path) if named.parts else ():
        found += part
        if len(found) > LARGEST_TEXT:
            break
    return bytes(found[:LARGEST_TEXT])


def whole_file(named: OpenTarget, path: str) -> bytes | None:
    """Return the bytes of a file that may be a bitstream, None where it is too large for one."""
    if named.parts is None or named.side.files[path].size > LARGEST_BITSTREAM:
        return None
    return b"".join(named.parts(path))


def hashed(named: OpenTarget, files: Iterable[File], sizes: set[int] | None) -> tuple[FileOnCard, ...]:
    """Return the files with the hash of each that has one of the sizes; None: of all."""
    files = list(files)
    wanted = [file for file in files if sizes is None or file.size in sizes]
    hashes = {}
    with progress("look", sum(file.size for file in wanted)) as advance:
        for file in wanted:
            hashes[file.path] = digest(parts_of(named, file))
            advance(file.size)
    return tuple(FileOnCard(path=file.path, size=file.size, sha256=hashes.get(file.path, "")) for file in files)


def parts_of(named: OpenTarget, file: File) -> Iterator[bytes]:
    """Yield the bytes of a file of an image, a disk or a folder, as far as they can be followed."""
    if named.reading is None or named.image is None:
        yield from named.parts(file.path) if named.parts else ()
        return
    for start, length in named.reading.extents_ranges(file.extents or (), file.size):
        for at in range(0, length, PART):
            yield read_at(named.image, start + at, min(PART, length - at))


def chips_of(manifest: Manifest) -> tuple[CardFile, ...]:
    """Return every chip of every title as if it were a file, so that a raw dump on a card is known too."""
    return tuple(
        CardFile(
            path="",
            content=chip.content,
            placement="anywhere",
            origin=Origin(kind=f"chip {name}", owner=title.id),
            place=title.place(f"chips.{name}"),
        )
        for title in manifest.titles.values()
        for name, chip in title.chips.items()
    )


def _sizes(known: Iterable[CardFile]) -> set[int] | None:
    """Return the sizes of known contents; None where one is declared by its hash alone, so that any file may be it."""
    sizes = {file.content.size for file in known}
    return None if None in sizes else {size for size in sizes if size is not None}


def _known(test: CardUnderTest, roles: Iterable[CardFile]) -> Iterator[KnownFile]:
    """Yield what each file is; one whose content belongs somewhere else too, where nothing is, is told so."""
    by_hash: dict[str, list[CardFile]] = {}
    for role in roles:
        by_hash.setdefault(role.content.sha256, []).append(role)
    for file in test.files:
        all_roles = by_hash.get(file.sha256, []) if file.sha256 else []
        here = [role for role in all_roles if is_at(role, file)]
        absent = (role for role in all_roles if role.path and fold(role.path) not in test.by_path)
        elsewhere = list(islice(absent, MOST_ROLES)) or ([] if here else all_roles[:1])
        for role in here[:MOST_ROLES]:
            yield KnownFile(path=file.path, what=what_of(role), belongs=file.path)
        for role in elsewhere:
            yield KnownFile(path=file.path, what=what_of(role), belongs=role.path, is_also=bool(here))
