"""The matrix as text for people."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby

from pipeline.model.manifest import Station
from pipeline.model.matrix import AFTER, NOT, Outlook
from pipeline.model.text import listed, shown


def matrix_text(stations: Sequence[Station], outlooks: Sequence[Outlook]) -> str:
    """Return the matrix as text: a station, its cores, and below a core the titles that fare otherwise.

    Titles that fare as their core does are counted, or named together where the core by itself fares otherwise.
    """
    lines: list[str] = []
    for station in stations:
        lines += [f"{station.name} ({station.id})"]
        here = [outlook for outlook in outlooks if outlook.station == station.id]
        for _, rows in groupby(here, key=lambda outlook: outlook.core):
            lines += _core(list(rows))
    return "".join(f"{shown(line)}\n" for line in lines)


def _core(rows: list[Outlook]) -> Iterator[str]:
    core, titles = rows[0], rows[1:]
    alike = [row for row in titles if _fate(row) == _fate(core)]
    count = f" and {'its title' if len(titles) == 1 else f'all {len(titles)} titles'}" if titles else ""
    if len(alike) < len(titles):
        count = f" and {len(alike)} of {len(titles)} titles" if alike else ""
    yield from _told(f"  core {core.core}{count}", core)
    remaining = [row for row in titles if row not in alike]
    for fate in dict.fromkeys(map(_fate, remaining)):
        same = [row for row in remaining if _fate(row) == fate]
        noun = "title" if len(same) == 1 else "titles"
        yield from _told(f"    {noun} {listed(row.title for row in same)}", same[0])


def _fate(outlook: Outlook) -> tuple[object, ...]:
    return outlook.verdict, outlook.steps, outlook.reasons, outlook.display, outlook.output


def _told(who: str, outlook: Outlook) -> Iterator[str]:
    where = f' on "{outlook.display}" by {outlook.output}' if outlook.display and outlook.verdict != NOT else ""
    end = {NOT: ", because", AFTER: ":"}.get(outlook.verdict, "")
    yield f"{who}: {outlook.verdict}{where}{end}"
    for detail in (*outlook.steps, *outlook.reasons):
        yield f"      {detail}"
