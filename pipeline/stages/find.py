"""Stage ``find``: where each wanted content lies in the user's sources, and what is missing."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from pipeline.errors import CardkilnError, CheckError, Problem
from pipeline.model.content import Candidate, Found, Wanted
from pipeline.model.units import show_size
from pipeline.stages import image, plan, rom
from pipeline.stages.project import Project
from pipeline.stages.search import found, wanted
from pipeline.stages.words import counted


def complete(project: Project) -> Found:
    """Return the search, after making sure that it gave all that is needed; raises CheckError with all that lacks.

    Needed is what goes into an output that is not current: what is built already stays good without its sources.
    """
    search = found(project)
    needed = {
        item.content.sha256
        for (stage, name), items in wanted(project)
        if _stale(project, stage, name)
        for item in items
    }
    lacking = [(item, near) for item, near in search.missing if item.content.sha256 in needed]
    if lacking:
        places = counted(len(project.manifest.sources.places), "place")
        raise CheckError(missing(project, item, near, places) for item, near in lacking)
    return search


def run(project: Project) -> str:
    """Search the sources; return what was found."""
    search = complete(project)
    total = len(search.contents) + len({item.content.sha256 for item, _ in search.missing})
    line = f"{len(search.contents):,} of {counted(total, 'content')} found"
    line += f" in {counted(len(project.manifest.sources.places), 'place')}"
    return line + ("; the rest is needed only for what is built already" if search.missing else "")


def _stale(project: Project, stage: str, name: str) -> bool:
    """Whether an output must be made again; what cannot be worked out counts as such, and fails where it is made."""
    try:
        if stage == "rom":
            return rom.reason(project, name) is not None
        return (plan.reason(project, name) or image.reason(project, name)) is not None
    except CardkilnError:
        return True


def missing(project: Project, item: Wanted, near: Candidate | None, places: str) -> Problem:
    """Return the problem that a content is in none of the ``places`` ("2 places") that were searched."""
    size = "" if item.content.size is None else f"{show_size(item.content.size)}, "
    what = f"{item.name} is in none of the {places} searched: {size}SHA-256 {item.content.sha256}"
    hint = "add the folder or archive it lies in to sources.toml"
    if near:
        location = replace(near.location, path=project.shown(Path(near.location.path)))
        hint = f"nearest is {location}: {near.why}"
    return Problem(item.place, what, hint, rule="every-content-is-found")
