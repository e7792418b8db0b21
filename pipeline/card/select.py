"""From a card manifest to what it comes to: board, cores, titles, settings and volume type."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TypeVar

from pipeline.card.core_on_board import conflicts
from pipeline.errors import ManifestError, Place, Problem
from pipeline.fat.geometry import GeometryError, fat_type_for
from pipeline.model.manifest import Board, Card, Core, Manifest, Title
from pipeline.model.rules import SETTINGS_AGREE, VOLUME_IS_READ_BY_ALL
from pipeline.model.text import listed

T = TypeVar("T", Core, Title)


@dataclass(frozen=True, slots=True, kw_only=True)
class Selection:
    """A card with everything it names looked up and everything that can be derived, derived.

    ``settings``: board setting to choice, the card's own and what its cores need. ``fat_bits``: 12, 16 or 32.
    """

    card: Card
    board: Board
    cores: tuple[Core, ...]
    titles: tuple[Title, ...]
    settings: Mapping[str, str]
    fat_bits: int

    def core_of(self, title: Title) -> Core:
        """Return the core a title of this card runs on."""
        return next(core for core in self.cores if core.id == title.core)


def select(manifest: Manifest, card: Card) -> Selection:
    """Return the card's selection; raises ManifestError with every conflict, each naming both sides."""
    board = manifest.boards[card.board]
    cores = _by_id_or_tag(manifest.cores, card.cores, card.tags)
    on_card = {core.id for core in cores}
    titles = tuple(
        title
        for title in _by_id_or_tag(manifest.titles, card.titles, card.tags)
        if title.core in on_card or title.id in card.titles
    )
    problems = list(conflicts(card, board, cores))
    settings = agreed_settings(card, board, cores, problems)
    fat_bits = _volume_type(card, board, cores, problems)
    if problems:
        raise ManifestError(problems)
    return Selection(card=card, board=board, cores=cores, titles=titles, settings=settings, fat_bits=fat_bits)


def _by_id_or_tag(known: Mapping[str, T], ids: tuple[str, ...], tags: tuple[str, ...]) -> tuple[T, ...]:
    """Return what is named, in the order named, then what carries a tag, by id."""
    tagged: list[str] = sorted(item.id for item in known.values() if set(item.tags) & set(tags))
    return tuple(known[item] for item in dict.fromkeys((*ids, *tagged)))


def agreed_settings(card: Card, board: Board, cores: Iterable[Core], problems: list[Problem]) -> Mapping[str, str]:
    """Return each board setting somebody asks for; two who ask for different choices are a problem."""
    asked: dict[str, list[tuple[str, Place, str]]] = {}
    for name, choice in card.settings.items():
        asked.setdefault(name, []).append((choice, Place(file=card.file, key=f"settings.{name}"), "this card"))
    for core in cores:
        for name, choice in core.needs.settings.items():
            place = Place(file=core.file, key=f"needs.settings.{name}")
            asked.setdefault(name, []).append((choice, place, core.id))
    for name, voices in asked.items():
        if len({choice for choice, _, _ in voices}) > 1:
            sides = ", ".join(f'{who} "{choice}"' for choice, _, who in voices)
            problems.append(
                Problem(
                    Place(file=card.file, key="settings" if name in card.settings else "cores"),
                    f'board setting "{name}" is needed with different values: {sides}',
                    "put cores that need different settings on different cards",
                    tuple(place for _, place, _ in voices),
                    SETTINGS_AGREE.name,
                )
            )
    return {name: asked[name][0][0] for name in board.settings if name in asked}


def readers(board: Board, cores: Iterable[Core]) -> list[tuple[str, tuple[str, ...], Place]]:
    """Return who reads the volume, which types, and where that is stated: the board, and cores that do not read all."""
    return [("board " + board.id, board.volumes, Place(file=board.file, key="volumes"))] + [
        ("core " + core.id, core.needs.volumes, Place(file=core.file, key="needs.volumes"))
        for core in cores
        if core.needs.volumes
    ]


def _volume_type(card: Card, board: Board, cores: Iterable[Core], problems: list[Problem]) -> int:
    """Return 12, 16 or 32: what the card asks for, else the best that board and every core can read."""
    sides = readers(board, cores)
    if card.volume.type:
        problems += [
            Problem(
                Place(file=card.file, key="volume.type"),
                f"{card.volume.type.upper()} is asked for, but {name} reads only {listed(map(str.upper, volumes))}",
                f"leave out volume.type to have it derived, or remove {name} from this card",
                (place,),
                VOLUME_IS_READ_BY_ALL.name,
            )
            for name, volumes, place in sides
            if card.volume.type not in volumes
        ]
        return int(card.volume.type.removeprefix("fat"))
    common = [bits for bits in (12, 16, 32) if all(f"fat{bits}" in volumes for _, volumes, _ in sides)]
    if not common:
        who = "; ".join(f"{name} reads {listed(map(str.upper, volumes))}" for name, volumes, _ in sides)
        problems.append(
            Problem(
                Place(file=card.file, key="cores"),
                f"no volume type is read by all: {who}",
                "put cores that read different volumes on different cards",
                tuple(place for _, _, place in sides),
                VOLUME_IS_READ_BY_ALL.name,
            )
        )
        return 0
    try:
        return fat_type_for(card.volume.size, common, partitioned=board.partitioned)
    except GeometryError as error:
        place = Place(file=card.file, key="volume.size")
        problems.append(Problem(place, str(error), error.hint, rule=VOLUME_IS_READ_BY_ALL.name))
        return 0
