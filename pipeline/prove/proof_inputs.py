"""The inputs of a second build: those of one card alone, and its contents packed once more."""

from __future__ import annotations

import zipfile
from collections.abc import Sequence
from pathlib import Path

from pipeline.build.card_inputs import copy_inputs, needed_contents, sources_text
from pipeline.build.inputs import Inputs
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
    copy_inputs(inputs, card_id, target, backwards=backwards)
    contents = needed_contents(inputs, card_id)
    packed = target.with_name("packed.zip")
    loose = target.with_name("loose")
    loose.mkdir()
    _pack(contents[::-1] if backwards else contents, loose, packed, swapped=swapped)
    (target / "sources.toml").write_text(sources_text(inputs, contents, [str(loose), str(packed)]), encoding="utf-8")


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
