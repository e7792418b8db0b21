"""Which of the inputs a card is made from: manifests, own files and checksum lists."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from pipeline.build.inputs import Inputs
from pipeline.card.select import Selection
from pipeline.manifest.sound import likes
from pipeline.model.manifest import Card, Core, Title
from pipeline.workspace.workspace import Workspace


def own_paths(workspace: Workspace, selection: Selection) -> Iterator[tuple[tuple[str, str], str]]:
    """Yield each file, folder or archive below the inputs that goes onto the card, with kind and id of its owner."""
    board = selection.board
    yield from ((("board", board.id), path) for path in board.base)
    owners = (
        *(("core", core.id, core.files) for core in selection.cores),
        *(("title", title.id, title.files) for title in selection.titles),
        ("card", selection.card.id, selection.card.files),
    )
    for kind, owner, files in owners:
        yield from (((kind, owner), file.source_path) for file in files if file.source_path)
    kept = workspace.kept_folder(selection.card.id)
    if selection.card.keep and kept.is_dir():
        yield ("card", selection.card.id), kept.relative_to(workspace.inputs).as_posix()


def manifests(inputs: Inputs, selection: Selection) -> list[str]:
    """Return the manifests the card is made by, as they are shown; among them those its titles take something from."""
    card = selection.card
    stations = [inputs.manifest.stations[name] for name in dict.fromkeys((*card.stations, *card.required_stations))]
    parts: tuple[Any, ...] = (selection.board, selection.card, *selection.cores, *selection.titles, *stations)
    return list(dict.fromkeys([*(part.file for part in parts), *(title.file for title in taken(inputs, selection))]))


def taken(inputs: Inputs, selection: Selection) -> list[Title]:
    """Return the titles that titles of the card are like, and which are not on it."""
    titles = inputs.manifest.titles
    ids = dict.fromkeys(like for title in selection.titles for like in likes(inputs.manifest, title))
    on_card = {title.id for title in selection.titles}
    return [titles[id_] for id_ in ids if id_ not in on_card]


def sum_lists(selection: Selection) -> list[str]:
    """Return the checksum lists that declare files of the card, relative to the inputs, sorted."""
    owners: tuple[Card | Core, ...] = (selection.card, *selection.cores)
    return sorted({sums.list_path for owner in owners for sums in owner.sums})
