"""Stage ``rom``: a title's chips become its ROM files."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import replace
from functools import partial
from pathlib import Path
from sys import intern

from pipeline.card.select import Selection, select
from pipeline.model.content import Content, Found, Ingredient, Location, Origin
from pipeline.model.manifest import RomFile, Title
from pipeline.model.ranges import RomMap
from pipeline.model.text import counted
from pipeline.model.units import show_size
from pipeline.roms.assemble import assemble, chips_used, contents, describe
from pipeline.roms.map import rom_map
from pipeline.sources.files.prefetch import Ahead
from pipeline.store.store import Store
from pipeline.workspace.project import PROGRAM, Project
from pipeline.workspace.stamp import NEW, digest, read_outputs, replacing, stale, write_stamp

UNBUILT = "0" * 64
"""Stands for the SHA-256 of a ROM file that is not declared and not built yet; enough to check a layout."""


def reason(project: Project, title_id: str) -> str | None:
    """Return why the title's ROM files must be made again; None when they are current, as they then stay in a run."""
    why, _ = project.roms.get(title_id, (NEW, {}))
    if why is not None:  # another process of this run may have made them
        why, _ = project.roms[title_id] = _look(project, project.manifest.titles[title_id])
    return why


def _look(project: Project, title: Title) -> tuple[str | None, dict[str, str]]:
    """Return why the title's ROM files must be made again, or None and the SHA-256 of each by its path."""
    stamp = project.stamp("rom", title.id)
    why = stale(
        stamp,
        _inputs(project, title),
        _outputs(project, title),
    )
    hashes = {} if why else read_outputs(stamp)
    for rom in title.roms if hashes else ():
        if rom.sha256 not in ("", hashes.get(rom.path)):
            return f"another SHA-256 is declared for {rom.path}", {}
    return why, hashes


def run(project: Project, title_id: str, found: Found) -> str:
    """Make the title's ROM files from what was found; return what was done."""
    title = project.manifest.titles[title_id]
    if project.ahead is None:
        cards = (select(project.manifest, card).titles for card in project.manifest.cards.values())
        due = (one.id for titles in cards for one in titles if one.roms and reason(project, one.id))
        project.ahead = Ahead(() if project.is_shared else due, partial(_located, project, found))
    parts = dict(zip(used(title), project.ahead.take(title_id), strict=True))
    _finish(project, title, ((rom, assemble(title, rom, parts)) for rom in title.roms), store=project.store)
    return f"{title_id}: {counted(len(title.roms), 'ROM file')} from {_counted(title)}, {_total(title)}"


def _located(project: Project, found: Found, title_id: str) -> list[tuple[Location, Content]]:
    """Return where each content lies that a title's ROM files are made of; of one that lacks nothing is read ahead."""
    contents = used(project.manifest.titles[title_id]).values()
    return [(found.locations[one.sha256], one) for one in contents if one.sha256 in found.locations]


def take(project: Project, title_id: str) -> str | None:
    """Make the title's ROM files of what is in the store; return what was done, None unless all of them are there."""
    title = project.manifest.titles[title_id]
    stored = _stored(project, title)
    if stored is None:
        return None
    _finish(project, title, stored)
    return f"{title_id}: {counted(len(title.roms), 'ROM file')} from the store, {_total(title)}"


def is_stored(project: Project, title_id: str) -> bool:
    """Whether the store has all ROM files of the title, each hashed."""
    return _stored(project, project.manifest.titles[title_id]) is not None


def _stored(project: Project, title: Title) -> list[tuple[RomFile, bytes]] | None:
    """Return the title's ROM files from the store, None unless all of them are there."""
    if not project.store:
        return None
    found = []
    for rom in title.roms:
        data = project.store.read(_key(project, title, rom), rom.size, rom.sha256)
        if data is None:
            break
        found.append((rom, data))
    project.warnings += project.store.problems()
    return found if len(found) == len(title.roms) else None


def _finish(
    project: Project, title: Title, finished: Iterable[tuple[RomFile, bytes]], store: Store | None = None
) -> None:
    """Write a title's ROM files, put them into the store, if one is given, and stamp them.

    Those with a declared SHA-256 were held to it already.
    """
    made = {}
    for rom, data in finished:
        path = _outputs(project, title)[rom.path]
        with replacing(path, sync=project.is_shared) as temporary:
            temporary.write_bytes(data)
        project.unsynced.add(() if project.is_shared else (path,))
        made[rom.path] = path, rom.sha256 or hashlib.sha256(data).hexdigest()
        if store:
            store.write(_key(project, title, rom), data)
            project.warnings += store.problems()
    write_stamp(project.stamp("rom", title.id), _inputs(project, title), made, sync=False)
    project.roms[title.id] = None, {path: sha256 for path, (_, sha256) in made.items()}


def used(title: Title) -> dict[str, Content]:
    """Return the chips and patches the title's ROM files are made of, by name, sorted."""
    names = {name for rom in title.roms for name in chips_used(rom)}
    return {name: content for name, content in sorted(contents(title).items()) if name in names}


def role(title: Title, name: str) -> str:
    """Return what a content is to its title: "chip 6f" or "patch fix"."""
    return intern(f"{'chip' if name in title.chips else 'patch'} {name}")  # the same few, over and over


def made(project: Project, title: Title, rom: RomFile) -> tuple[Content, Origin]:
    """Return a ROM file's content and origin; its hash is ``UNBUILT`` when neither declared nor built yet."""
    sha256 = rom.sha256
    if not sha256:
        sha256 = UNBUILT if reason(project, title.id) else project.roms[title.id][1][rom.path]
    if (title.id, rom.path) not in project.origins:
        project.origins[title.id, rom.path] = _origin(title, rom)
    return Content(sha256=sha256, size=rom.size), project.origins[title.id, rom.path]


def maps(project: Project, selection: Selection) -> tuple[RomMap, ...]:
    """Return the maps of a card's ROM files, in its order; those of the last card asked for are kept."""
    card = selection.card.id
    if card not in project.maps:
        project.maps = {
            card: tuple(
                RomMap(title=title.id, path=rom.path, size=rom.size, ranges=rom_map(title, rom))
                for title in selection.titles
                for rom in title.roms
            )
        }
    return project.maps[card]


def _origin(title: Title, rom: RomFile) -> Origin:
    ingredients = tuple(
        Ingredient(role=role(title, name), size=content.size or 0, sha256=content.sha256)
        for name, content in used(replace(title, roms=(rom,))).items()
    )
    return Origin(kind="rom-file", owner=title.id, ingredients=ingredients, steps=describe(rom))


def _inputs(project: Project, title: Title) -> dict[str, str]:
    """Return what a title's ROM files are made from; a hash pinned afterwards is none of it, while it agrees."""
    if title.id not in project.recipes:
        parts = {role(title, name): content.sha256 for name, content in used(title).items()}
        recipes = {f"the recipe of {rom.path}": digest(replace(rom, sha256="")) for rom in title.roms}
        project.recipes[title.id] = {**parts, **recipes, "the program": PROGRAM}
    return project.recipes[title.id]


def _key(project: Project, title: Title, rom: RomFile) -> str:
    """Return what a ROM file is stored under: a digest of all it is made from, the program's version among it."""
    return digest((sorted(_inputs(project, title).items()), rom.path))


def _total(title: Title) -> str:
    return show_size(sum(rom.size for rom in title.roms))


def _counted(title: Title) -> str:
    """Return "6 chips", or "6 chips and 1 patch"."""
    chips = [name for name in used(title) if name in title.chips]
    patches = len(used(title)) - len(chips)
    return counted(len(chips), "chip") + (f" and {counted(patches, 'patch')}" if patches else "")


def _outputs(project: Project, title: Title) -> dict[str, Path]:
    return {rom.path: project.rom_folder(title.id) / rom.path for rom in title.roms}
