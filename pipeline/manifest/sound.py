"""The part of the manifests that can be built, beside others in which something is wrong."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import TypeVar

from pipeline.errors import Problem
from pipeline.model.manifest import Board, Card, Core, Manifest, Station, Title

T = TypeVar("T", Board, Core, Title, Card, Station)

Key = tuple[str, str]
"""A manifest: its kind ("card") and id."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sound:
    """What can be built, and why the rest cannot: by manifest the problems of its own and of all that it names.

    ``problems``: everything that is wrong, each once. ``values``: the digest of all that the manifests say.
    """

    manifest: Manifest
    unsound: Mapping[Key, tuple[Problem, ...]] = field(default_factory=dict)
    problems: tuple[Problem, ...] = ()
    values: str = ""


def sound_part(manifest: Manifest, wrong: Mapping[Key, Iterable[Problem]], strange: Iterable[Problem] = ()) -> Sound:
    """Return what of the manifests can be built.

    ``wrong``: problems by the manifest they are in, also of such as could not be decoded and are not in ``manifest``.
    ``strange``: of files that are no manifests. A card that takes titles by tags takes none of them for granted: which
    tags a manifest carries is not known when something is wrong with it.
    """
    unsound = {key: set(problems) for key, problems in wrong.items()}
    everything = {problem for problems in unsound.values() for problem in problems} | set(strange)
    tagged = {problem for (kind, _), problems in unsound.items() if kind in ("core", "title") for problem in problems}
    tagged |= set(strange)

    def take(key: Key, needed: Iterable[Key], more: Iterable[Problem] = ()) -> None:
        found = {*unsound.get(key, ()), *more, *(problem for need in needed for problem in unsound.get(need, ()))}
        if found:
            unsound[key] = found

    for title in manifest.titles.values():
        take(("title", title.id), [("core", title.core), *(("title", like) for like in likes(manifest, title))])
    for card in manifest.cards.values():
        named = [("board", card.board), *(("core", core) for core in card.cores)]
        named += [("title", title) for title in card.titles]
        named += [("station", station) for station in (*card.stations, *card.required_stations)]
        take(("card", card.id), named, tagged if card.tags else ())

    def rest(kind: str, known: Mapping[str, T]) -> dict[str, T]:
        return {id_: value for id_, value in known.items() if (kind, id_) not in unsound}

    part = replace(
        manifest,
        boards=rest("board", manifest.boards),
        cores=rest("core", manifest.cores),
        titles=rest("title", manifest.titles),
        cards=rest("card", manifest.cards),
        stations=rest("station", manifest.stations),
    )
    ordered = {key: tuple(sorted(problems)) for key, problems in unsound.items()}
    return Sound(manifest=part, unsound=ordered, problems=tuple(sorted(everything)))


def likes(manifest: Manifest, title: Title) -> list[str]:
    """Return the ids of the titles that a title takes something over from, the nearest first."""
    found = list[str]()
    known: Title | None = title
    while known and known.like:
        found.append(known.like)
        known = manifest.titles.get(known.like)
    return found


def with_further(sound: Sound, look: Callable[[Title], Iterable[Problem]]) -> Sound:
    """Return what is left when titles in which ``look`` finds something are taken out, and the cards that name them."""
    found = {("title", title.id): tuple(look(title)) for title in sound.manifest.titles.values()}
    wrong = {key: problems for key, problems in found.items() if problems}
    if not wrong:
        return sound
    part = sound_part(sound.manifest, wrong)
    return replace(
        sound,
        manifest=part.manifest,
        unsound={**sound.unsound, **part.unsound},
        problems=(*sound.problems, *part.problems),
    )
