"""The sheet as HTML text: its values laid out by a template that escapes everything it is given."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from jinja2 import Environment, PackageLoader, StrictUndefined

from pipeline.model.finished import FinishedCard
from pipeline.model.manifest import Core, Needs
from pipeline.model.text import counted, listed
from pipeline.model.units import show_size
from pipeline.sheet import marks
from pipeline.sheet.card_map import card_map, numbered
from pipeline.sheet.cautions import cautions
from pipeline.sheet.listing import FOLDED_ABOVE, LISTED, Row, facts, groups, parts, totals
from pipeline.sheet.owners import owner_of
from pipeline.sheet.rom_figure import rom_figure
from pipeline.sheet.station_rows import chances


def sheet_text(finished: FinishedCard, sums: Mapping[str, str]) -> bytes:
    """Return the sheet: HTML with its style and pictures inside, no script, nothing that is fetched from elsewhere.

    Equal values give equal bytes.
    """
    core_ids = {core.id for core in finished.cores}
    kinds = {file.path: owner_of(file, core_ids)[0] for file in finished.files}
    files = numbered(finished.plan)
    rows = tuple(
        Row(number=number, entry=entry, kind=kinds[entry.path])
        for number, entry in enumerate(files if len(files) <= LISTED else (), 1)
    )
    names = {title.id: title.name for title in finished.titles}
    pieces = _TEMPLATE.generate(
        finished=finished,
        sums=sums,
        cautions=cautions(finished),
        parts=parts(finished),
        stations=[(station, chances(finished, station)) for station in finished.stations],
        map=card_map(finished.plan, kinds),
        kinds=[kind for kind in ("board", "core", "title", "card") if kind in kinds.values()],
        rows=rows,
        groups=groups(rows),
        totals=() if rows else totals(files),
        folded=len(files) > FOLDED_ABOVE,
        listed=len(files) <= LISTED,
        first_for=_first_for(finished),
        rom_figures=(rom_figure(rom, number, names.get(rom.title, "")) for number, rom in enumerate(finished.maps, 1)),
        facts=facts(finished),
    )
    return b"".join(piece.encode() for piece in pieces)  # as one text the page would take four times as much


def _first_for(finished: FinishedCard) -> Core | None:
    """Return the core that asks for the card's first file, None when nobody does."""
    asked = {file.origin.owner for file in finished.files if file.placement == "first"}
    return next((core for core in finished.cores if core.id in asked), None)


def _output(name: str) -> str:
    """Return a display output as people write it: initials in capitals."""
    return name.upper() if len(name) <= 4 else name


def _kilohertz(rates: Iterable[int]) -> str:
    """Return line rates in Hz as "15.625 and 31.469 kHz"."""
    return f"{listed(f'{rate / 1000:.3f}'.rstrip('0').rstrip('.') for rate in rates)} kHz"


def _line_rates(needs: Needs) -> list[tuple[tuple[str, ...], tuple[int, ...]]]:
    """Return a core's line rates in Hz, each with the outputs it has them on; no outputs: on any."""
    if not needs.output_rates:
        return [((), needs.line_rates)] if needs.line_rates else []
    by_rates: dict[tuple[int, ...], list[str]] = {}
    for output in dict.fromkeys((*needs.outputs, *needs.output_rates)):
        by_rates.setdefault(needs.output_rates.get(output, needs.line_rates), []).append(output)
    return [(tuple(outputs), rates) for rates, outputs in by_rates.items() if rates]


def _pads(needs: Needs) -> str:
    """Return what a core needs of pads: "2, with 2 buttons each"."""
    if not needs.pads:
        return "none stated"
    buttons = f", with {counted(needs.buttons, 'button')}" if needs.buttons else ""
    return f"{needs.pads}{buttons}{' each' if buttons and needs.pads > 1 else ''}"


def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("pipeline.sheet"),  # reads the template that is part of this program, and nothing else
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.globals.update(block=marks.block, path=marks.path, text=marks.text)
    environment.filters.update(
        kilohertz=_kilohertz,
        line_rates=_line_rates,
        listed=listed,
        output=_output,
        pads=_pads,
        plural=counted,
        size=show_size,
    )
    return environment


_TEMPLATE = _environment().get_template("sheet.html")
