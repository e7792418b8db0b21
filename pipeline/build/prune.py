"""Outputs that no manifest declares any more, and which outputs belong to a task; below ``build`` and nowhere else."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Collection, Iterable, Iterator
from pathlib import Path

from pipeline.build.build import Build
from pipeline.errors import ManifestError
from pipeline.fat.names import fold
from pipeline.model.text import counted
from pipeline.workspace.owner import kinds_gone, note_owner
from pipeline.workspace.workspace import Workspace

SHOWN = 3
"""Outputs that are named; the rest are counted."""

IMAGE = "card.img"
BY_HAND = "doit clean --vanished"
"""What to type to remove everything that no manifest declares any more, finished images included."""


def prune(build: Build, say: Callable[[str], None]) -> None:
    """Remove what no manifest declares any more, but no finished image; ``say`` is told of it before.

    For a run in which every card was built: only then is everything that is declared known and there. Where all cards
    or all titles are gone at once, nothing is removed: that is more often a slip than meant.
    """
    workspace = build.workspace
    left = sorted(unclaimed(build))
    if left and (gone := kinds_gone(workspace)):
        what = f"none of the {' and '.join(gone)} built before is declared any more, so nothing is removed"
        say(f"{what}: {counted(len(left), 'output')}, {_named(workspace, left)}; to remove: {BY_HAND}")
        return
    note_owner(workspace)
    finished = _finished_cards(build)
    kept = [path for path in left if path.name.partition(".")[0] in finished and _is_of_a_card(workspace, path)]
    removed = [path for path in left if path not in kept]
    if removed:
        what = f"removing {counted(len(removed), 'output')} that no manifest declares any more"
        say(f"{what}: {_named(workspace, removed)}")
        remove(removed)
    workspace.rom_stamps.tidy(build.inputs.manifest.titles)
    for card in finished:
        image = workspace.shown(workspace.card_folder(card) / IMAGE)
        say(f"{image} is kept, though no manifest declares its card any more; to remove: {BY_HAND}")


def remove(paths: Iterable[Path]) -> None:
    """Remove files, links and folders with all that is in them; raises OSError."""
    for path in paths:
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        else:
            path.unlink(missing_ok=True)


def unclaimed(build: Build) -> Iterator[Path]:
    """Yield the files and folders among the outputs that belong to no card and no title, each once.

    Raises ManifestError while something is wrong with a manifest: what it declares is then not known.
    """
    if build.inputs.problems:
        raise ManifestError(build.inputs.problems)
    workspace, manifest = build.workspace, build.inputs.manifest
    cards, titles = set(manifest.cards), manifest.titles
    roms = {title.id: {rom.path for rom in title.roms} for title in titles.values() if title.roms}
    for folder, names in (("cards", cards), ("configs", cards), ("roms", set(roms))):
        listed = _listed(workspace.build / folder)
        meant = _meant(listed, names)
        yield from (path for path in listed if not meant[path.name])
    for title, paths in roms.items():
        yield from _others(workspace.rom_folder(title), paths)
    for card in sorted(cards):
        made = {made.job.path for made in build.card(card).configs}
        yield from _others(workspace.config_folder(card), made)
    for stage in _listed(workspace.build / "state"):
        if stage.is_dir():
            yield from (path for path in _listed(stage) if path.name.partition(".")[0] not in cards)


def outputs(workspace: Workspace, stage: str, name: str) -> list[Path]:
    """Return the outputs of one task that are there, with what is kept of them; for a card's or a title's name."""
    card, kept = workspace.card_folder(name), workspace.build / "state"
    of_stage = {
        "rom": [workspace.rom_folder(name)],
        "plan": [card / "plan.json"],
        "config": [workspace.config_folder(name)],
        "image": [card / IMAGE, *kept.glob(f"image/{name}.*"), *kept.glob(f"spare/{name}.*")],
        "record": [card / "record.json", card / "SHA256SUMS"],
        "sheet": [card / "sheet.html", *kept.glob(f"sheet/{name}.*")],
    }
    return [path for path in of_stage[stage] if path.exists() or path.is_symlink()]


def _finished_cards(build: Build) -> list[str]:
    """Return the cards of which there is an image and no manifest."""
    folders = _listed(build.workspace.build / "cards")
    cards = build.inputs.manifest.cards
    return [
        path.name for path in folders if path.name not in cards and not path.is_symlink() and (path / IMAGE).exists()
    ]


def _is_of_a_card(workspace: Workspace, path: Path) -> bool:
    """Whether an output is a card's and not a title's."""
    return path.parent not in (workspace.build / "roms", workspace.build / "state" / "rom")


def _named(workspace: Workspace, paths: list[Path]) -> str:
    more = f" and {len(paths) - SHOWN:,} more" if len(paths) > SHOWN else ""
    return ", ".join(workspace.shown(path) for path in paths[:SHOWN]) + more


def _others(folder: Path, paths: Collection[str]) -> Iterator[Path]:
    """Yield what lies below a folder and is none of these files and none of the folders they lie in."""
    listed = _listed(folder)
    meant = _meant(listed, {path.partition("/")[0] for path in paths})
    for path in listed:
        name = meant[path.name]
        inside = [candidate.partition("/")[2] for candidate in paths if candidate.startswith(f"{name}/")]
        if inside and path.is_dir():
            yield from _others(path, inside)
        elif name not in paths:
            yield path


def _meant(listed: Iterable[Path], names: Collection[str]) -> dict[str, str]:
    """Return, by the name of each entry, which of some names it is, "" for none.

    A file system that ignores letter case, or composes accents in its own way, lists a file under another spelling than
    the one it was made with; where both spellings are listed, they are two files.
    """
    found = {path.name for path in listed}
    hidden = {fold(name): name for name in names if name not in found}
    return {name: name if name in names else hidden.get(fold(name), "") for name in found}


def _listed(folder: Path) -> list[Path]:
    return sorted(folder.iterdir()) if folder.is_dir() and not folder.is_symlink() else []
