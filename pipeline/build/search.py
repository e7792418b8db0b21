"""The search of the user's sources for everything the cards are made of; done at most once a run."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

from pipeline.build import card, rom
from pipeline.card.select import Selection
from pipeline.errors import Place
from pipeline.model.content import CardFile, Found, Location, Wanted
from pipeline.roms.assemble import content_key
from pipeline.roms.bind import CONTENT_KEYS
from pipeline.roms.chips.alternative_forms import ALTERNATIVE_FORMS
from pipeline.sources.search.alternative_forms import MOST, Derivation
from pipeline.workspace.progress import counting, progress
from pipeline.workspace.project import Project


def found(project: Project) -> Found:
    """Return what lies where; archives that cannot be used are noted in the project's warnings."""
    if project.search is None:
        sources = project.manifest.sources
        places = [Path(place) for place in sources.places]
        with counting("looking through the places", "files") as advance:
            scan = project.index.scan(places, sources.limits, advance, without=[project.build])
        project.warnings += scan.problems
        items = [item for _, items in wanted(project) for item in items]
        with counting("hashing source files", "B") as advance:
            project.search = project.index.find(items, advance)
        if any(item.content.size is None for item in items):
            project.worked.clear()
    return project.search


def derived(project: Project, items: Iterable[Wanted]) -> Derivation:
    """Return which sources become which of the missing contents by one change; only chips have changes."""
    chips = [item.content for item in items if is_chip(item)]
    with progress("looking for other forms", MOST) as advance:
        return project.index.derive(chips, ALTERNATIVE_FORMS, advance)


def is_chip(item: Wanted) -> bool:
    """Whether what is wanted is the dump of a chip."""
    return item.place.key.startswith(f"{CONTENT_KEYS['chip']}.")


def wanted(project: Project) -> Iterator[tuple[tuple[str, str], list[Wanted]]]:
    """Yield what is wanted from the sources, by the output that it goes into: ("rom", title) or ("card", card)."""
    titles = {}
    for card_id in project.manifest.cards:
        selection, files, local = _copied(project, card_id)
        titles.update({title.id: title for title in selection.titles if title.roms})
        outside = [file for file in files if file.origin.kind != "rom-file" and file.content.sha256 not in local]
        yield (
            ("card", card_id),
            [
                Wanted(
                    content=file.content,
                    name=f"{file.path} of {file.origin.owner}",
                    place=file.place,
                    file_names=(file.path.rpartition("/")[2],),
                    owner=file.origin.owner,
                )
                for file in outside
            ],
        )
    for title in titles.values():
        yield (
            ("rom", title.id),
            [
                Wanted(
                    content=content,
                    name=f"{rom.role(title, name)} of {title.name}",
                    place=Place(file=title.file, key=content_key(title, name)),
                    file_names=(name,),
                    owner=title.id,
                )
                for name, content in rom.used(title).items()
            ],
        )


def _copied(project: Project, card_id: str) -> tuple[Selection, tuple[CardFile, ...], Mapping[str, Location]]:
    """Return what is copied onto a card, worked out already where it was."""
    if card_id in project.worked:
        worked: card.Worked = project.worked[card_id][0]
        return worked.selection, worked.copied, worked.local
    copied = card.copied(project, card_id)
    return copied.selection, copied.files, copied.local
