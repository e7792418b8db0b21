"""Line rates in words."""

from __future__ import annotations

from collections.abc import Iterable

from pipeline.model.text import listed


def rate(hertz: int) -> str:
    """Return a line rate in kHz, without zeros at the end: "15.625 kHz"."""
    return f"{hertz / 1000:.3f}".rstrip("0").rstrip(".") + " kHz"


def rates(ranges: Iterable[tuple[int, int]]) -> str:
    """Return the ranges of line rates a display accepts: "15.386-16.014 kHz"."""
    return listed(f"{rate(low).removesuffix(' kHz')}-{rate(high)}" for low, high in ranges)
