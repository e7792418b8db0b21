"""Stage ``rom``: a title's chips become its ROM files."""

from __future__ import annotations

import hashlib
from pathlib import Path

from pipeline.model.content import Content, Found, Ingredient, Origin
from pipeline.model.manifest import RomFile, Title
from pipeline.model.units import show_size
from pipeline.roms.assemble import assemble, chips_used, describe
from pipeline.sources.read import read_content
from pipeline.stages.project import PROGRAM, Project
from pipeline.stages.stamp import digest, read_facts, replacing, stale, write_stamp
from pipeline.stages.words import counted

UNBUILT = "0" * 64
"""Stands for the SHA-256 of a ROM file that is not declared and not built yet; enough to check a layout."""


def reason(project: Project, title_id: str) -> str | None:
    """Return why the title's ROM files must be made again, None when they are current."""
    title = project.manifest.titles[title_id]
    return stale(
        project.stamp("rom", title_id),
        _inputs(title),
        _outputs(project, title),
        lambda path: project.index.content_of(path).sha256,
    )


def run(project: Project, title_id: str, found: Found) -> str:
    """Make the title's ROM files from what was found; return what was done."""
    title = project.manifest.titles[title_id]
    contents = {name: title.chips[name].content for name in used(title)}
    chips = {name: read_content(found.locations[content.sha256], content) for name, content in contents.items()}
    made = {}
    for rom in title.roms:
        data = assemble(title, rom, chips)
        path = _outputs(project, title)[rom.path]
        with replacing(path) as temporary:
            temporary.write_bytes(data)
        made[rom.path] = path, hashlib.sha256(data).hexdigest()
    if not all(rom.sha256 for rom in title.roms):
        project.worked.clear()
    hashes = {path: sha256 for path, (_, sha256) in made.items()}
    write_stamp(project.stamp("rom", title_id), _inputs(title), made, hashes)
    total = show_size(sum(rom.size for rom in title.roms))
    return f"{title_id}: {counted(len(made), 'ROM file')} from {counted(len(chips), 'chip')}, {total}"


def used(title: Title) -> list[str]:
    """Return the names of the chips the title's ROM files are made of, sorted."""
    return sorted({name for rom in title.roms for name in chips_used(rom)})


def made(project: Project, title: Title, rom: RomFile) -> tuple[Content, Origin]:
    """Return a ROM file's content and origin; its hash is ``UNBUILT`` when neither declared nor built yet."""
    sha256 = rom.sha256
    if not sha256:
        facts = None if reason(project, title.id) else read_facts(project.stamp("rom", title.id))
        sha256 = str(facts[rom.path]) if isinstance(facts, dict) else UNBUILT
    ingredients = tuple(
        Ingredient(role=f"chip {name}", size=chip.content.size or 0, sha256=chip.content.sha256)
        for name in sorted(chips_used(rom))
        for chip in [title.chips[name]]
    )
    origin = Origin(kind="rom-file", owner=title.id, ingredients=ingredients, steps=describe(rom))
    return Content(sha256=sha256, size=rom.size), origin


def _inputs(title: Title) -> dict[str, str]:
    chips = {f"chip {name}": title.chips[name].content.sha256 for name in used(title)}
    recipes = {f"the recipe of {rom.path}": digest(rom) for rom in title.roms}
    return {**chips, **recipes, "the program": PROGRAM}


def _outputs(project: Project, title: Title) -> dict[str, Path]:
    return {rom.path: project.rom_folder(title.id) / rom.path for rom in title.roms}
