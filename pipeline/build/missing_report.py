"""What the cards still lack, by card and by who asks for it, and what in the sources nothing wants."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from pipeline.build import missing_hints
from pipeline.build.build import Build
from pipeline.build.find import is_due
from pipeline.build.inputs import Output
from pipeline.build.missing_hints import alternative_forms
from pipeline.errors import Place
from pipeline.model.content import Candidate, Found, Wanted
from pipeline.model.derived import Derived
from pipeline.model.manifest import Manifest
from pipeline.sources.search.unwanted import Unwanted


@dataclass(frozen=True, slots=True, kw_only=True)
class Lack:
    """One content that is missing: what it is ("chip 4t"), the part that is printed on it, and what comes nearest.

    ``built``: what it goes into is finished already, so that it is needed only when that is made anew. ``signs``:
    what the nearest source looks like.
    """

    item: Wanted
    what: str
    part: str
    built: bool
    derived: Derived | None
    near: Candidate | None
    signs: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Asker:
    """Who asks for contents that are missing: the name and the manifest of a board, core, title or card."""

    name: str
    file: str
    lacks: tuple[Lack, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Survey:
    """What a search of all sources came to.

    ``cards``: who on each card lacks something, by card id; a card that lacks nothing has none. ``titles``: the
    same of titles that are on no card. ``untried``: files
    whose other forms were left for the next search.
    """

    wanted: int
    found: int
    cards: dict[str, tuple[Asker, ...]]
    titles: tuple[Asker, ...]
    unwanted: tuple[Unwanted, ...]
    untried: int


def survey(build: Build) -> Survey:
    """Return what a search of the sources comes to; raises ManifestError."""
    search, manifest = build.inputs.search, build.inputs.manifest
    outputs = dict(build.inputs.wanted())
    missing = {item.content.sha256: near for item, near in search.missing}
    forms, untried = alternative_forms(build.workspace, (wanted for wanted, _ in search.missing))
    stood = {output: not is_due(build, output) for output, items in outputs.items() if _lack(items, missing)}

    def askers(keys: Iterable[Output]) -> tuple[Asker, ...]:
        asked = dict[tuple[Place, str], tuple[Wanted, list[bool]]]()  # titles may take one chip over from another
        for key in keys:
            for item in _lack(outputs[key], missing):
                asked.setdefault((item.place, item.content.sha256), (item, []))[1].append(stood[key])
        lacks = [
            _lacking(build, item, missing[sha256], forms.get(sha256), built=all(built))
            for (_, sha256), (item, built) in asked.items()
        ]
        return _by_asker(manifest, lacks)

    of_cards = {card_id: [("card", card_id)] for card_id in manifest.cards}
    for card_id, keys in of_cards.items():
        keys += [("rom", roms.title.id) for roms in build.roms_of(card_id)]
    on_cards = {key for keys in of_cards.values() for key in keys}
    used = {source.content.sha256 for form in forms.values() for source in form.sources}
    return Survey(
        wanted=len(search.contents.keys() | missing.keys()),
        found=len(search.contents.keys() - missing.keys()),
        cards={card_id: askers(keys) for card_id, keys in of_cards.items()},
        titles=askers(key for key in outputs if key not in on_cards),
        unwanted=tuple(_unwanted(build, search, used)),
        untried=untried,
    )


def _lack(items: Iterable[Wanted], missing: dict[str, Candidate | None]) -> list[Wanted]:
    return [item for item in items if item.content.sha256 in missing]


def _lacking(build: Build, item: Wanted, candidate: Candidate | None, form: Derived | None, *, built: bool) -> Lack:
    manifest = build.inputs.manifest
    title = manifest.titles.get(item.owner)
    chip = title.chips[item.chip] if title and item.chip else None
    return Lack(
        item=item,
        what=item.name.removesuffix(
            f" of {title.name}" if title and item.place.file == title.file else ""
        ).removesuffix(f" of {item.owner}"),
        part=chip.part if chip else "",
        built=built,
        derived=form,
        near=candidate,
        signs=missing_hints.signs(build.workspace, manifest, item, candidate) if candidate and not form else (),
    )


def _by_asker(manifest: Manifest, lacks: Sequence[Lack]) -> tuple[Asker, ...]:
    holders = (manifest.boards, manifest.cores, manifest.titles, manifest.cards)
    names = {declared.file: declared.name for holder in holders for declared in holder.values()}
    grouped: dict[str, list[Lack]] = {}
    for lack in lacks:
        grouped.setdefault(lack.item.place.file, []).append(lack)
    return tuple(Asker(name=names.get(file, file), file=file, lacks=tuple(group)) for file, group in grouped.items())


def _unwanted(build: Build, search: Found, used: set[str]) -> list[Unwanted]:
    """Return what lies in the sources and is on no card, in no ROM file, and no other form of what is."""
    inputs = build.inputs
    contents = [wanted.content for _, items in inputs.wanted() for wanted in items]
    contents += [file.content for card in inputs.manifest.cards.values() for file in inputs.copied(card).files]
    contents += search.contents.values()
    sizes = {content.size for content in contents if content.size is not None}
    return build.workspace.index.unwanted({content.sha256 for content in contents} | used, sizes)
