"""Everything the manifests know for a board: which content belongs where; and which board a card's folders fit."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass

from pipeline.build.build import Build
from pipeline.build.card import serial_of
from pipeline.build.recipe import UNBUILT
from pipeline.card.contents import ConfigJob, Known, config_jobs, gather
from pipeline.card.core_on_board import fields_of, join
from pipeline.card.select import Selection
from pipeline.errors import ManifestError
from pipeline.fat.entries import EARLIEST
from pipeline.fat.names import fold
from pipeline.model.content import CardFile, Content
from pipeline.model.manifest import Board, Card, Core, Manifest, Title, VolumeRequest


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """How well the folders of a card fit a board: how many of its places are there."""

    board: str
    places: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DeclaredCard:
    """A card of the manifests that a card in the hand may be. ``files``: copied onto it; ``jobs``: its config files.

    ``is_identified``: whether the serial of the volume says that it is this one.
    """

    card: Card
    files: tuple[CardFile, ...]
    jobs: tuple[ConfigJob, ...]
    is_identified: bool = False


def declared_cards(build: Build, board: Board, serial: int | None) -> tuple[DeclaredCard, ...]:
    """Return the one card for a board whose volume has this serial, else every card for the board that is sound."""
    cards = [card for card in build.inputs.manifest.cards.values() if card.board == board.id]
    same = [card for card in cards if serial_of(card) == serial]
    found = []
    for card in same if len(same) == 1 else cards:
        with suppress(ManifestError):
            copied = build.inputs.copied(card)
            jobs = config_jobs(copied.selection)
            found.append(DeclaredCard(card=card, files=copied.files, jobs=jobs, is_identified=len(same) == 1))
    return tuple(found)


def catalogue(build: Build, board: Board) -> tuple[CardFile, ...]:
    """Return every file that any core or title for a board would put on a card, each with its path there.

    Sizes declared nowhere are None. Raises ManifestError for manifests that are wrong, OSError too.
    """
    inputs, manifest = build.inputs, build.inputs.manifest
    cores = tuple(core for core in manifest.cores.values() if board.id in core.boards)
    on_board = {core.id for core in cores}
    titles = tuple(title for title in manifest.titles.values() if title.core in on_board)
    selection = Selection(card=empty_card(board), board=board, cores=cores, titles=titles, settings={}, fat_bits=16)
    holders: tuple[Core | Title, ...] = (*cores, *titles)
    own = [file for holder in holders for file in holder.files]
    paths = dict.fromkeys((*board.base, *(file.source_path for file in own if file.source_path)))
    known = Known(
        trees={path: tuple((name, content) for name, _, content in inputs.tree_contents(path)) for path in paths},
        sums={sums.list_path: inputs.sum_lines(sums) for core in cores for sums in core.sums},
        sizes={},
        roms={
            (title.id, rom.path): build.title(title).content(rom) or Content(sha256=UNBUILT, size=rom.size)
            for title in titles
            for rom in title.roms
        },
    )
    return gather(selection, known)


def best_board(manifest: Manifest, paths: Iterable[str]) -> Fit | None:
    """Return the board that the paths of a card fit best, None where no board's places are there."""
    folded = {fold(path) for path in paths}
    fits = [Fit(board=board.id, places=_places(board, folded)) for board in manifest.boards.values()]
    best = max(fits, key=lambda fit: fit.places, default=None)
    return best if best and best.places else None


def core_folders(board: Board, paths: Iterable[str]) -> Iterator[tuple[str, str]]:
    """Yield (name of the core's folder, path of its bitstream) for each core a card has by its folders."""
    pattern = _pattern(board)
    for path in sorted(paths):
        if match := pattern.fullmatch(path):
            yield match["core"], path


def bitstream_path(board: Board, core: Core) -> str:
    """Return where a core's bitstream belongs."""
    fields = fields_of(core)
    return join(board.core_folder.format_map(fields), board.bitstream.format_map(fields))


def _pattern(board: Board) -> re.Pattern[str]:
    """Return what finds bitstreams by their path, case ignored as FAT does."""
    parts = re.split(r"\{(\w+)\}", join(board.core_folder, board.bitstream))
    seen: set[str] = set()
    text = ""
    for number, part in enumerate(parts):
        if number % 2 == 0:
            text += re.escape(part)
        elif part in seen:
            text += f"(?P={part})"
        else:
            seen.add(part)
            text += f"(?P<{part}>[^/]+)"
    return re.compile(text if "core" in seen else f"(?P<core>){text}", re.IGNORECASE)


def _places(board: Board, folded: set[str]) -> int:
    """Return how many of a board's places are on a card: bitstreams, config files, reserved files and folders."""
    fixed = {setting.path for setting in board.settings.values()} | set(board.reserved)
    fixed |= {board.menu.path} if board.menu and board.one_menu else set()
    return sum(1 for _ in core_folders(board, folded)) + sum(_is_there(pattern, folded) for pattern in fixed)


def _is_there(pattern: str, folded: set[str]) -> bool:
    if pattern.endswith("/**"):
        return any(path.startswith(fold(pattern[:-2])) for path in folded)
    return fold(pattern) in folded


def empty_card(board: Board, file: str = "") -> Card:
    """Return a card with nothing of its own."""
    volume = VolumeRequest(type="", size=0, label="", serial=None, timestamp=EARLIEST)
    return Card(
        id="", file=file, name="", version="", board=board.id, cores=(), titles=(), tags=(), volume=volume, settings={},
        files=(), sums=(), configs=(), edits=(),
    )  # fmt: skip
