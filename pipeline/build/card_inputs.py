"""Which of the inputs a card is made from: manifests, own files and checksum lists, and contents of the sources."""

from __future__ import annotations

import json
import shutil
from collections.abc import Collection, Iterator, Sequence
from pathlib import Path
from typing import Any

from pipeline.build import find
from pipeline.build.build import Build
from pipeline.build.inputs import Inputs
from pipeline.card.select import Selection
from pipeline.errors import CheckError
from pipeline.manifest.sound import likes
from pipeline.model.content import Content, Location
from pipeline.model.manifest import Board, Card, Core, Title
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


def other_boards(inputs: Inputs, selection: Selection) -> list[Board]:
    """Return the boards that the card's cores and stations speak of, without which their manifests are refused."""
    cores = {board for core in selection.cores for board in core.boards}
    displays = [display for name in selection.card.stations for display in inputs.manifest.stations[name].displays]
    outputs = {output for display in displays for output in display.inputs}
    boards = [board for board in inputs.manifest.boards.values() if board.id != selection.board.id]
    return [board for board in boards if board.id in cores or outputs & set(board.outputs)]


def stand_in(inputs: Inputs, selection: Selection, folder: Path, left_out: Collection[str] = frozenset()) -> None:
    """Put an empty file where the manifest of another board or title names files that do not go onto this card.

    Nothing is put where the receiver's own copy of what is left out goes.
    """
    paths = {path for board in other_boards(inputs, selection) for path in board.base}
    paths |= {file.source_path for title in taken(inputs, selection) for file in title.files if file.source_path}
    for path in sorted(paths.difference(left_out), key=lambda path: (-path.count("/"), path)):
        target = folder / path
        if not target.exists():
            target.parent.mkdir(parents=True, exist_ok=True)
            target.touch()


def copy_inputs(inputs: Inputs, card_id: str, target: Path, *, backwards: bool = False) -> None:
    """Copy what a card is made from into a folder: manifests, own files and checksum lists, and none of another card.

    ``sources.toml`` is left to the caller, since contents lie elsewhere then. ``backwards``: in the other order.
    """
    workspace = inputs.workspace
    selection = inputs.copied(inputs.manifest.cards[card_id]).selection
    shown = workspace.shown(workspace.inputs)
    files = [*manifests(inputs, selection), *(board.file for board in other_boards(inputs, selection))]
    paths = {Path(file).relative_to(shown).as_posix() for file in files}
    paths |= {path for _, path in own_paths(workspace, selection)} | set(sum_lists(selection))
    for path in sorted(paths, reverse=backwards):
        _copy(workspace.inputs / path, target / path, backwards=backwards)
    stand_in(inputs, selection, target)


def _copy(source: Path, target: Path, *, backwards: bool) -> None:
    if source.is_dir():
        target.mkdir(parents=True, exist_ok=True)
        for path in sorted(source.iterdir(), reverse=backwards):
            _copy(path, target / path.name, backwards=backwards)
    else:
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(source, target)


def needed_contents(inputs: Inputs, card_id: str) -> list[tuple[Location, Content]]:
    """Return where each content that a card needs of the sources lies, each once and sorted by SHA-256.

    Raises CheckError with every content that is in no source.
    """
    search = inputs.search
    card = inputs.manifest.cards[card_id]
    titles = inputs.copied(card).selection.titles
    outputs = [("card", card_id), *(("rom", title.id) for title in titles)]
    needed = {item.content.sha256 for output in outputs for item in inputs.wanted_for(output)}
    missing = [(item, near) for item, near in search.missing if item.content.sha256 in needed]
    if missing:
        raise CheckError(find.missing(Build(inputs), item, near, None) for item, near in missing)
    return [(search.locations[sha256], search.contents[sha256]) for sha256 in sorted(needed)]


def sources_text(inputs: Inputs, contents: Sequence[tuple[Location, Content]], places: Sequence[str]) -> str:
    """Return a ``sources.toml`` with these places, and limits that let the contents through."""
    limits, sizes = inputs.manifest.sources.limits, [content.size or 0 for _, content in contents]
    values = {
        "entries": max(limits.entries, len(sizes)),
        "member": max(limits.member, *sizes, 0),
        "total": max(limits.total, sum(sizes)),
        "ratio": limits.ratio,
    }
    lines = [f"places = {json.dumps([*places])}", "[limits]"]  # such JSON is TOML too
    return "\n".join([*lines, *(f"{name} = {value}" for name, value in values.items())]) + "\n"
