"""What comes nearest to a content that is missing, in words: another form of it, or a file that is alike."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from pipeline.errors import CardkilnError
from pipeline.model.content import Candidate, Location, Wanted
from pipeline.model.derived import Derived
from pipeline.model.manifest import Manifest
from pipeline.roms.chips.alternative_forms import ALTERNATIVE_FORMS
from pipeline.roms.chips.diagnose import diagnose
from pipeline.sources.files.read import read_content
from pipeline.sources.search.alternative_forms import LARGEST, MOST, Derivation
from pipeline.workspace.progress import progress
from pipeline.workspace.workspace import Workspace


def alternative_forms(workspace: Workspace, missing: Iterable[Wanted]) -> Derivation:
    """Return which sources become which of the missing contents by a change; only chips have changes."""
    chips = [wanted.content for wanted in missing if is_chip(wanted)]
    with progress("searching for other forms", MOST) as advance:
        return workspace.index.derive(chips, ALTERNATIVE_FORMS, advance)


def is_chip(wanted: Wanted) -> bool:
    """Whether what is wanted is the dump of a chip."""
    return wanted.chip != ""


def shown(workspace: Workspace, location: Location) -> str:
    """Return a location as it is shown to people."""
    return str(replace(location, path=workspace.shown(Path(location.path))))


def found_as(workspace: Workspace, derived: Derived) -> str:
    """Return in which other form a content was found, and where."""
    names = [_member_in(workspace, source.location) for source in derived.sources]
    return f"found, but {derived.how}, as {' and '.join(names)}"


def to_use(derived: Derived) -> str:
    """Return what to write in the manifest so that the other form is used."""
    if not derived.change:
        return "correct the file, or dump the chip again"
    contents = [source.content for source in derived.sources]
    declared = [f'size = {content.size} and sha256 = "{content.sha256}"' for content in contents]
    if len(declared) == 1:
        return f"to use it, declare {declared[0]}, and begin its then with {{ {derived.change} }}"
    return (
        f'to use them, declare a chip "first" with {declared[0]} and a chip "second" with {declared[1]}, '
        f"and write {{ {derived.change} }} in place of this chip"
    )


def _member_in(workspace: Workspace, location: Location) -> str:
    name = shown(workspace, replace(location, member=None))
    return name if location.member is None else f"{location.member} in {name}"


def nearest(workspace: Workspace, near: Candidate) -> str:
    """Return which source is nearest, and why it is not the content."""
    return f"nearest is {shown(workspace, near.location)}: {near.why}"


def signs(workspace: Workspace, manifest: Manifest, wanted: Wanted, near: Candidate) -> tuple[str, ...]:
    """Return what the nearest source looks like where a chip's dump is wanted; none where it cannot be read."""
    title = manifest.titles.get(wanted.owner)
    if title is None or not is_chip(wanted):
        return ()
    part = title.chips[wanted.chip].part
    try:
        content = workspace.index.content_at(near.location)
        small = (content.size or 0) <= LARGEST
        return diagnose(read_content(near.location, content), part) if small else ()
    except CardkilnError:
        return ()
