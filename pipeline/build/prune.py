"""Outputs that no manifest claims any more are removed, below ``build`` and nowhere else."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

from pipeline.build.build import Build
from pipeline.model.text import counted

SHOWN = 3
"""Removed outputs that are named; the rest are counted."""


def prune(build: Build) -> str | None:
    """Remove what nothing claims; return a line that says what was removed, None when there was nothing.

    For a run in which every card was built: only then is everything that is claimed known and there.
    """
    left = sorted(unclaimed(build))
    for path in left:
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        else:
            path.unlink()
    if not left:
        return None
    more = f" and {len(left) - SHOWN:,} more" if len(left) > SHOWN else ""
    names = ", ".join(build.workspace.shown(path) for path in left[:SHOWN])
    return f"{counted(len(left), 'output')} removed that no manifest claims any more: {names}{more}"


def unclaimed(build: Build) -> Iterator[Path]:
    """Yield the files and folders among the outputs that belong to no card and no title, each once."""
    workspace, manifest = build.workspace, build.inputs.manifest
    cards, titles = set(manifest.cards), manifest.titles
    roms = {title.id: {rom.path for rom in title.roms} for title in titles.values() if title.roms}
    for folder, names in (("cards", cards), ("configs", cards), ("roms", set(roms))):
        yield from (path for path in _listed(workspace.build / folder) if path.name not in names)
    for title, paths in roms.items():
        yield from _others(workspace.rom_folder(title), paths)
    for card in sorted(cards):
        made = {made.job.path for made in build.card(card).configs}
        yield from _others(workspace.config_folder(card), made)
    for stage in _listed(workspace.build / "state"):
        if stage.is_dir():
            claimed = set(roms) if stage.name == "rom" else cards
            yield from (path for path in _listed(stage) if path.name.partition(".")[0] not in claimed)


def _others(folder: Path, paths: set[str]) -> Iterator[Path]:
    """Yield what lies below a folder and is none of these files and none of the folders they lie in."""
    above = {parent.as_posix() for path in paths for parent in Path(path).parents}
    for path in _listed(folder):
        name = path.name
        if name in above and path.is_dir():
            inside = {one.partition("/")[2] for one in paths if one.startswith(f"{name}/")}
            yield from _others(path, inside)
        elif name not in paths:
            yield path


def _listed(folder: Path) -> list[Path]:
    return sorted(folder.iterdir()) if folder.is_dir() and not folder.is_symlink() else []
