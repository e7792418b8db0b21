"""The inputs of a second build: those of one card alone, and its contents packed once more."""

from __future__ import annotations

import json
import shutil
import zipfile
from collections.abc import Sequence
from pathlib import Path

from pipeline.build import find
from pipeline.build.build import Build
from pipeline.build.card_inputs import manifests, own_paths, sum_lists, taken
from pipeline.build.inputs import Inputs
from pipeline.errors import CheckError
from pipeline.model.content import Content, Location
from pipeline.sources.files.read import open_content
from pipeline.workspace.progress import progress

DAY = (1996, 2, 29, 12, 0, 0)
"""The time of every member; none of it is the present one."""

PART = 1 << 20


def lay_down(inputs: Inputs, card_id: str, target: Path, *, swapped: bool, backwards: bool) -> None:
    """Make a folder with the inputs that a card is made from, and none of any other card.

    ``swapped``: contents that lie in archives become files, and the other way round. ``backwards``: files are made
    in the other order. Raises CheckError with every content that is in no source.
    """
    workspace = inputs.workspace
    selection = inputs.copied(inputs.manifest.cards[card_id]).selection
    shown = workspace.shown(workspace.inputs)
    paths = {Path(file).relative_to(shown).as_posix() for file in manifests(inputs, selection)}
    paths |= {path for _, path in own_paths(workspace, selection)} | set(sum_lists(selection))
    paths |= {file.source_path for title in taken(inputs, selection) for file in title.files if file.source_path}
    for path in sorted(paths, reverse=backwards):
        _copy(workspace.inputs / path, target / path, backwards=backwards)
    contents = _contents(inputs, card_id)
    packed = target.with_name("packed.zip")
    loose = target.with_name("loose")
    loose.mkdir()
    _pack(contents[::-1] if backwards else contents, loose, packed, swapped=swapped)
    (target / "sources.toml").write_text(_sources(inputs, contents, [loose, packed]), encoding="utf-8")


def _copy(source: Path, target: Path, *, backwards: bool) -> None:
    if source.is_dir():
        target.mkdir(parents=True, exist_ok=True)
        for path in sorted(source.iterdir(), reverse=backwards):
            _copy(path, target / path.name, backwards=backwards)
    else:
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(source, target)


def _contents(inputs: Inputs, card_id: str) -> list[tuple[Location, Content]]:
    """Return where each content that a card needs of the sources lies, by SHA-256; without one that is there twice."""
    search = inputs.search
    titles = inputs.copied(inputs.manifest.cards[card_id]).selection.titles
    outputs = {("card", card_id), *(("rom", title.id) for title in titles)}
    needed = {item.content.sha256 for output, items in inputs.wanted() if output in outputs for item in items}
    missing = [(item, near) for item, near in search.missing if item.content.sha256 in needed]
    if missing:
        raise CheckError(find.missing(Build(inputs), item, near, None) for item, near in missing)
    return [(search.locations[sha256], search.contents[sha256]) for sha256 in sorted(needed)]


def _pack(contents: Sequence[tuple[Location, Content]], loose: Path, packed: Path, *, swapped: bool) -> None:
    """Copy contents, each either to a file of a folder or into an archive, under a name that says nothing."""
    total = sum(content.size or 0 for _, content in contents)
    with progress("copy", total) as advance, zipfile.ZipFile(packed, "w", zipfile.ZIP_STORED) as archive:
        for number, (location, content) in enumerate(contents):
            name = f"{number:06}.bin"
            as_file = (location.member is None) != swapped
            member = zipfile.ZipInfo(name, DAY)
            with (
                open_content(location, content) as source,
                (loose / name).open("wb") if as_file else archive.open(member, "w", force_zip64=True) as target,
            ):
                while part := source.read(PART):
                    target.write(part)
                    advance(len(part))


def _sources(inputs: Inputs, contents: Sequence[tuple[Location, Content]], places: Sequence[Path]) -> str:
    """Return a ``sources.toml`` with limits that let through what was packed."""
    limits, sizes = inputs.manifest.sources.limits, [content.size or 0 for _, content in contents]
    values = {
        "entries": max(limits.entries, len(sizes)),
        "member": max(limits.member, *sizes, 0),
        "total": max(limits.total, sum(sizes)),
        "ratio": limits.ratio,
    }
    lines = [f"places = {json.dumps([str(place) for place in places])}", "[limits]"]  # such JSON is TOML too
    return "\n".join([*lines, *(f"{name} = {value}" for name, value in values.items())]) + "\n"
