"""What comes nearest to a content that is missing, in words: another form of it, or a file that is alike."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from pipeline.build.search import is_chip
from pipeline.errors import CardkilnError
from pipeline.model.content import Candidate, Location, Wanted
from pipeline.model.derived import Derived
from pipeline.roms.chips.diagnose import diagnose
from pipeline.sources.files.read import read_content
from pipeline.sources.search.alternative_forms import LARGEST
from pipeline.workspace.project import Project


def shown(project: Project, location: Location) -> str:
    """Return a location as it is shown to people."""
    return str(replace(location, path=project.shown(Path(location.path))))


def found_as(project: Project, derived: Derived) -> str:
    """Return in which other form a content was found, and where."""
    member = derived.location.member
    name = shown(project, replace(derived.location, member=None))
    return f"found, but {derived.how}, as " + (name if member is None else f"{member} in {name}")


def to_use(derived: Derived) -> str:
    """Return what to write in the manifest so that the other form is used."""
    content = derived.content
    if not derived.change:
        return "correct the file, or dump the chip again"
    return (
        f'to use it, declare size = {content.size} and sha256 = "{content.sha256}", '
        f"and begin its then with {{ {derived.change} }}"
    )


def nearest(project: Project, near: Candidate) -> str:
    """Return which source is nearest, and why it is not the content."""
    return f"nearest is {shown(project, near.location)}: {near.why}"


def signs(project: Project, item: Wanted, near: Candidate) -> tuple[str, ...]:
    """Return what the nearest source looks like where a chip's dump is wanted; none where it cannot be read."""
    title = project.manifest.titles.get(item.owner)
    if title is None or not is_chip(item):
        return ()
    part = title.chips[item.place.key.partition(".")[2]].part
    try:
        content = project.content_at(near.location)
        small = (content.size or 0) <= LARGEST
        return diagnose(read_content(near.location, content), part) if small else ()
    except CardkilnError:
        return ()
