"""A ROM file on the sheet: its picture, and a table that says the same in words.

In Python and not in a template, as a card has thousands; what a person wrote is escaped here too.
"""

from __future__ import annotations

from collections.abc import Iterator

from markupsafe import Markup, escape

from pipeline.model.ranges import Range, RomMap
from pipeline.model.text import counted
from pipeline.model.units import show_size
from pipeline.sheet.marks import block, path, text
from pipeline.sheet.rom_picture import RomPicture, address, rom_picture

FOLDED_ABOVE = 24
"""Ranges of a ROM file whose table is open; a longer one is folded."""

LISTED = 500
"""Ranges of a ROM file that are listed at all."""


def rom_figure(rom: RomMap, number: int, name: str) -> Markup:
    """Return picture and table of a ROM file; ``number``: its place on the page, ``name``: of its title."""
    return Markup("".join(_figure(rom, rom_picture(rom), f"rom-{number}", name)))  # noqa: S704  # texts are escaped


def _figure(rom: RomMap, drawn: RomPicture, own: str, name: str) -> Iterator[str]:
    ranges = counted(len(rom.ranges), "range")
    said = f"{ranges} from {address(0)} to {address(rom.size - 1)}; the table below says the same in words."
    yield f"""<figure class="rom">
<figcaption><h3>{text(name)}</h3><span class="path">{path(rom.path)}</span>, {show_size(rom.size)}</figcaption>
<svg class="strip" role="img" aria-labelledby="{own}-title {own}-text" width="100%" height="{drawn.height + 18}">
<title id="{own}-title">Map of the ROM file \u2068{escape(rom.path)}\u2069</title>
<desc id="{own}-text">{said}</desc>
<svg width="100%" height="{drawn.height}">"""
    for lane in drawn.lanes:
        yield f'<svg y="{lane.y}%" width="100%" height="{lane.height}%">{block(lane.block)}</svg>'
    yield "</svg>\n"
    for x, words in drawn.ticks:
        yield f'<text class="tick{" end" if x == 100 else ""}" x="{x}%" y="{drawn.height + 14}">{words}</text>\n'
    yield "</svg>\n"
    folded = len(rom.ranges) > FOLDED_ABOVE
    if folded:
        yield f"<details>\n<summary>{ranges} in words</summary>\n"
    yield from _table(rom)
    yield "\n</details>\n</figure>" if folded else "\n</figure>"


def _table(rom: RomMap) -> Iterator[str]:
    yield f"""<table class="small">
<caption class="unseen">Ranges of {text(rom.path)}</caption>
<thead><tr><th scope="col">Bytes</th><th scope="col">From</th></tr></thead>
<tbody>
"""
    yield from map(_row, rom.ranges[:LISTED])
    yield "</tbody>\n</table>\n"
    if len(rom.ranges) > LISTED:
        more = counted(len(rom.ranges) - LISTED, "range")
        yield f"<p>And {more} more: <code>doit map {rom.title}</code> shows all.</p>\n"


def _row(one: Range) -> str:
    sources = "<br>".join(text(source.words) for source in one.sources)
    where = f"{address(one.start)} to {address(one.end - 1)}"
    return f'<tr><th scope="row" class="path">{where}</th><td>{sources}</td></tr>\n'
