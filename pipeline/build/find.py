"""Stage ``find``: where each wanted content lies in the user's sources, and what is missing."""

from __future__ import annotations

from pipeline.build import image, plan, rom
from pipeline.build.missing_hints import found_as, nearest, signs, to_use
from pipeline.build.search import derived, found, wanted
from pipeline.card.select import select
from pipeline.errors import CardkilnError, CheckError, Problem
from pipeline.model.content import Candidate, Found, Wanted
from pipeline.model.derived import Derived
from pipeline.model.text import counted
from pipeline.model.units import show_size
from pipeline.workspace.project import Project


def complete(project: Project) -> Found:
    """Return the search, after making sure that it gave all that is needed; raises CheckError with all that lacks.

    Needed is what goes into an output that is asked for and not current: what is built already stays good without its
    sources, and another card's missing dump is no business of this one.
    """
    search = found(project)
    if not search.missing:
        return search
    asked = _asked(project)
    missed = {item.content.sha256 for item, _ in search.missing}
    needed = {
        item.content.sha256
        for (stage, name), items in wanted(project)
        if any(item.content.sha256 in missed for item in items)
        and (asked is None or (stage, name) in asked)
        and _needs(project, stage, name)
        for item in items
    }
    lacking = [(item, near) for item, near in search.missing if item.content.sha256 in needed]
    if lacking:
        forms = derived(project, (item for item, _ in lacking)).derived
        raise CheckError(missing(project, item, near, forms.get(item.content.sha256)) for item, near in lacking)
    return search


def run(project: Project) -> str:
    """Search the sources; return what was found."""
    search = complete(project)
    total = len(search.contents) + len({item.content.sha256 for item, _ in search.missing})
    line = f"{len(search.contents):,} of {counted(total, 'content')} found"
    line += f" in {counted(len(project.manifest.sources.places), 'place')}"
    return line + ("; the rest is not needed now" if search.missing else "")


def _asked(project: Project) -> set[tuple[str, str]] | None:
    """Return the outputs that the tasks asked for come to, as ("card", id) and ("rom", title); None for all."""
    outputs = set[tuple[str, str]]()
    for task in project.asked:
        stage, _, name = task.partition(":")
        if stage == "rom" and name in project.manifest.titles:
            outputs.add(("rom", name))
        elif name in project.manifest.cards:
            titles = select(project.manifest, project.manifest.cards[name]).titles
            outputs |= {("card", name), *(("rom", title.id) for title in titles)}
        elif stage != "check":
            return None
    return outputs or None


def _needs(project: Project, stage: str, name: str) -> bool:
    """Whether an output must be made, and of its sources: ROM files may be in the store."""
    return stale(project, stage, name) and not (stage == "rom" and rom.is_stored(project, name))


def stale(project: Project, stage: str, name: str) -> bool:
    """Whether an output must be made again; what cannot be worked out counts as such, and fails where it is made."""
    try:
        if stage == "rom":
            return rom.reason(project, name) is not None
        return (plan.reason(project, name) or image.reason(project, name)) is not None
    except CardkilnError:
        return True


def missing(project: Project, item: Wanted, near: Candidate | None, derived: Derived | None) -> Problem:
    """Return the problem that a content is in no place, and what comes nearest to it."""
    size = "" if item.content.size is None else f"{show_size(item.content.size)}, "
    places = counted(len(project.manifest.sources.places), "place")
    what = f"{item.name} is in none of the {places} searched: {size}SHA-256 {item.content.sha256}"
    hint = "add the folder or archive it lies in to sources.toml"
    if derived:
        hint = f"{found_as(project, derived)}; {to_use(derived)}"
    elif near:
        hint = "; ".join([nearest(project, near), *signs(project, item, near)])
    return Problem(item.place, what, hint, rule="every-content-is-found")
