"""Keyboards and pads: those a core needs against those of a station. Rules of the trade: common practice."""

from __future__ import annotations

from collections import Counter

from pipeline.model.manifest import Needs, Station
from pipeline.model.text import counted, listed
from pipeline.stations.picture import Way


def controls(station: Station, needs: Needs, buttons: int) -> Way:
    """Return what keeps a core from being played, and what to plug in first; ``buttons``: those each pad must have.

    A pad with more buttons than needed is as good. Where some pads of the station have too few, a step names those
    that are to be plugged in: with the power off, as old ports ask for.
    """
    reasons = [_keyboard(station, needs)]
    steps: tuple[str, ...] = ()
    good = sum(pad >= buttons for pad in station.pads)
    if good < needs.pads:
        counts = Counter(station.pads).items()
        station_pads = listed(f"{number} with {counted(pad, 'button')}" for pad, number in counts) if counts else "none"
        reasons.append(f"{_pads(needs.pads, buttons)} needed; pads at this station: {station_pads}")
    elif needs.pads and good < len(station.pads):
        steps = (f"switch off, and plug in {_pads(needs.pads, buttons)}",)
    return Way(steps=steps, reasons=tuple(filter(None, reasons)))


def _keyboard(station: Station, needs: Needs) -> str:
    keyboards = listed(station.keyboards) if station.keyboards else "none"
    if needs.keyboard == "any" and not station.keyboards:
        return "a keyboard is needed; keyboards at this station: none"
    if needs.keyboard == "external" and "external" not in station.keyboards:
        return f"an external keyboard is needed; keyboards at this station: {keyboards}"
    return ""


def _pads(number: int, buttons: int) -> str:
    pads = counted(number, "pad")
    if not buttons:
        return pads
    return f"{pads} with {counted(buttons, 'button')}{'' if number == 1 else ' each'}"
